"""What tablets sent and the logbook did not take: evidence that nobody has looked at."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from trialog.languages import tn
from trialog.records.models import ParkedLine
from trialog.records.parking import count_by_outcome
from trialog.records.words import ParkedOutcome


@dataclass(frozen=True)
class ParkedCounts:
    """A cell's parked lines: those that nobody has seen to, and those that were left out."""

    waiting: int
    left_out: int


def count_parked_since(session: Session, cell_id: int, moment: datetime | None) -> ParkedCounts:
    """Count a cell's lines that were parked at or after a moment; None: all there ever were.

    A line's own time is not asked: whether it can be read is what has to be looked at.
    """
    which = [ParkedLine.cell_id == cell_id]
    if moment is not None:
        which.append(ParkedLine.parked_at >= moment)
    counts = count_by_outcome(session, *which)
    return ParkedCounts(counts[None], counts[ParkedOutcome.LEFT_OUT])


def waiting_words(lines: int) -> str:
    """Say that lines wait to be looked at."""
    return tn(
        "{number} line from tablets was not taken into the logbook; see to it first",
        "{number} lines from tablets were not taken into the logbook; see to them first",
        lines,
    )


def left_out_words(lines: int) -> str:
    """Say that lines were left out for good."""
    return tn(
        "{number} line from tablets was left out by an engineer, with a reason",
        "{number} lines from tablets were left out by an engineer, with a reason",
        lines,
    )
