"""Lines that the logbook did not take, as a shift's report names them."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from trialog.evidence import waiting_words
from trialog.languages import t
from trialog.records.models import Shift
from trialog.records.parking import parked_lines


@dataclass(frozen=True)
class ParkedNow:
    """The parked lines of a shift's cell that nobody has seen to.

    `of_this_shift`: those that name the shift.
    """

    lines: int
    of_this_shift: int
    words: str


def parked_now(session: Session, shift: Shift) -> ParkedNow:
    """Count the lines of a shift's cell that wait for an engineer."""
    waiting = parked_lines(session, shift.cell)
    # What a tablet sent need not have any form: the label may be anything.
    here = sum(line.line.get("shift") == shift.label for line in waiting)
    return ParkedNow(lines=len(waiting), of_this_shift=here, words=_words(len(waiting), here))


def _words(lines: int, here: int) -> str:
    if not lines:
        return t("Every line that a tablet sent is in the logbook.")
    part = (
        t("{number} of them for this shift", number=here)
        if here
        else t("none of them names this shift")
    )
    return f"{waiting_words(lines)}; {part}."
