"""What was worked out last, for as long as nothing that it rests on has changed.

To judge all trials of a hall takes seconds, and most of them stand as they did a minute ago.
What a cell's trials rest on is its logbook, whose head the cell's row holds, and rows that are
written with an audit event. Both are hashes over all that came before, made under a lock in the
order in which transactions end: who reads them first and judges then may remember too little,
never too much.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import replace
from datetime import datetime, tzinfo
from typing import Any, Generic, TypeVar

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.languages import current
from trialog.records.audit import last_set_up
from trialog.records.models import Cell, Shift, Tablet, Trial, VerdictChange
from trialog.reports.kinds import context
from trialog.reports.standings import CellStanding, Standing, cell_standing

T = TypeVar("T")

MOST = 256
"""What a memory holds at most, some megabytes; then it begins again. Common practice, no source."""


class Memory(Generic[T]):
    """What was made last for each place, with what it rests on. Threads may share it."""

    def __init__(self) -> None:
        """Remember nothing yet."""
        self._kept: dict[Hashable, tuple[Hashable, T]] = {}

    def recall(self, place: Hashable, rests_on: Hashable, make: Callable[[], T]) -> T:
        """Return what was made for a place, and make it where what it rests on is another now."""
        kept = self._kept.get(place)
        if kept is not None and kept[0] == rests_on:
            return kept[1]
        made = make()
        if len(self._kept) >= MOST:
            self._kept.clear()
        self._kept[place] = rests_on, made
        return made


class RememberedStandings:
    """The standings of cells that were asked for last, in each language."""

    def __init__(self) -> None:
        """Remember nothing yet."""
        self._memory: Memory[CellStanding] = Memory()

    def at_present(self, session: Session) -> Standing:
        """Return what says how cells stand, as of now: from memory where nothing has changed."""
        set_up = last_set_up(session)

        def standing(session: Session, cell: Cell, zone: tzinfo) -> CellStanding:
            return self._memory.recall(
                (cell.id, current(), str(zone)),
                (set_up, cell.chain_head),
                lambda: cell_standing(session, cell, zone),
            )

        return standing


class RememberedPages:
    """What the pages of trials and closed shifts say, in each language, but for who looks at them.

    A shift that is open says how long it has been; it is worked out each time.
    """

    def __init__(self) -> None:
        """Remember nothing yet."""
        self._memory: Memory[dict[str, Any]] = Memory()

    def context(
        self,
        session: Session,
        subject: Trial | Shift,
        build: Callable[[], Any],
        *,
        now: datetime,
        zone: tzinfo,
    ) -> dict[str, Any]:
        """Return what a report's body is written from (`kinds.context`), as of `now`.

        `build` makes the report that is not remembered.
        """
        if isinstance(subject, Shift) and subject.closed_at is None:
            return context(build())
        found = self._memory.recall(
            (type(subject), subject.id, current(), str(zone)),
            _rests_on(session, subject.cell),
            lambda: context(build()),
        )
        # Nothing has changed since, so it is what would be said now.
        return found | {"report": replace(found["report"], produced_at=now)}


def _rests_on(session: Session, cell: Cell) -> Hashable:
    """Return what changes with all that the report of a cell's trial or shift tells of.

    Beside what the verdicts rest on: what was noted of them, and when a tablet's clock jumped,
    of which no event is written.
    """
    return (
        last_set_up(session),
        cell.chain_head,
        session.scalar(select(func.max(VerdictChange.id))),
        session.scalar(select(func.max(Tablet.clock_moved_at))),
    )
