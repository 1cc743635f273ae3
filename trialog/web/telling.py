"""What a line did to the verdicts that rest on it, told to whoever wrote it."""

from __future__ import annotations

from collections.abc import Sequence

from trialog.evidence import judge
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Trial
from trialog.reports.before_after import compare_verdicts
from trialog.web.database import get_session
from trialog.web.logging.taking import write_line


def write_and_tell(cell: Cell, line: NewEntry, trials: Sequence[Trial]) -> str:
    """Write a line and say what became of these trials; empty where nothing has changed.

    Each is named where there are several. Raises what `write_line` raises.
    """
    session = get_session()
    before = [judge(session, trial) for trial in trials]
    write_line(session, cell, line)
    compared = (
        compare_verdicts(then, judge(session, trial))
        for then, trial in zip(before, trials, strict=True)
    )
    told = [(one.after.trial, one.sentence) for one in compared if one.sentence]
    if len(trials) == 1:
        return "".join(sentence for _, sentence in told)
    return " ".join(f"{name}: {sentence}" for name, sentence in told)
