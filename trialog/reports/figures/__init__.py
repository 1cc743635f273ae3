"""Charts, each with the same content in words and as tables."""

from trialog.reports.figures.chart import Chart
from trialog.reports.figures.decisions import Said, decisions_over_cycles
from trialog.reports.figures.planning import chances_of_passing, times_to_decide
from trialog.reports.figures.revisions import Rate, rates_by_revision
from trialog.reports.figures.staircase import MOST_STEPS, Step, staircase
from trialog.reports.figures.steps import failure_steps, failures_over_cycles

__all__ = [
    "MOST_STEPS",
    "Chart",
    "Rate",
    "Said",
    "Step",
    "chances_of_passing",
    "decisions_over_cycles",
    "failure_steps",
    "failures_over_cycles",
    "rates_by_revision",
    "staircase",
    "times_to_decide",
]
