"""How the tablets are: what their list shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from trialog.records.models import Cell, Tablet
from trialog.records.queries import cells
from trialog.records.tablets import all_tablets, parked_counts
from trialog.reports import words

ON_TIME_SECONDS = 2.0
"""Below this the network may have taken the time, not the clock."""


@dataclass(frozen=True)
class Standing:
    """A tablet, its clock in words, and its lines that wait for an engineer, by cell."""

    tablet: Tablet
    clock: str
    parked: Sequence[tuple[Cell, int]]


def standings(session: Session) -> list[Standing]:
    """Return how each tablet is, by name, those that are revoked last."""
    counts, known = parked_counts(session), {cell.id: cell for cell in cells(session)}
    return [
        Standing(
            tablet,
            clock_words(tablet.clock_ahead_seconds),
            [(known[cell], lines) for (of, cell), lines in counts.items() if of == tablet.id],
        )
        for tablet in all_tablets(session)
    ]


def clock_words(ahead: float | None) -> str:
    """Say how a tablet's clock goes: "2 min 5 s ahead"."""
    if ahead is None:
        return "not measured yet"
    if abs(ahead) < ON_TIME_SECONDS:
        return "right"
    return f"{words.length(abs(ahead))} {'ahead' if ahead > 0 else 'behind'}"
