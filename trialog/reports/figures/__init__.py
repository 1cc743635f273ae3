"""Charts, each with the same content in words and as tables."""

from trialog.reports.figures.between import between_failures
from trialog.reports.figures.by_shift import failures_by_shift
from trialog.reports.figures.chart import Chart
from trialog.reports.figures.clear_times import clear_times
from trialog.reports.figures.decisions import Said, decisions_over_cycles
from trialog.reports.figures.matrix import conditions_matrix
from trialog.reports.figures.modes import failure_modes
from trialog.reports.figures.planning import chances_of_passing, times_to_decide
from trialog.reports.figures.proven import proven_over_time
from trialog.reports.figures.revisions import Rate, rates_by_revision
from trialog.reports.figures.staircase import MOST_STEPS, Step, staircase
from trialog.reports.figures.steps import failure_steps, failures_over_cycles
from trialog.reports.figures.stop_free import Alone, stop_free_stretches

__all__ = [
    "MOST_STEPS",
    "Alone",
    "Chart",
    "Rate",
    "Said",
    "Step",
    "between_failures",
    "chances_of_passing",
    "clear_times",
    "conditions_matrix",
    "decisions_over_cycles",
    "failure_modes",
    "failure_steps",
    "failures_by_shift",
    "failures_over_cycles",
    "proven_over_time",
    "rates_by_revision",
    "staircase",
    "stop_free_stretches",
    "times_to_decide",
]
