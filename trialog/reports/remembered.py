"""How cells stood, for as long as nothing that it rests on has changed.

To judge all trials of a hall takes seconds, and most of them stand as they did a minute ago.
What a cell's standing rests on is its logbook, whose head the cell's row holds, and rows that are
written with an audit event. Both are hashes over all that came before, made under a lock in the
order in which transactions end: who reads them first and judges then may remember too little,
never too much.
"""

from __future__ import annotations

from collections.abc import Hashable
from datetime import tzinfo

from sqlalchemy.orm import Session

from trialog.languages import current
from trialog.records.audit import last_set_up
from trialog.records.models import Cell
from trialog.reports.standings import CellStanding, Standing, cell_standing


class RememberedStandings:
    """The standings of cells that were asked for last, in each language. Threads may share it."""

    def __init__(self) -> None:
        """Remember nothing yet."""
        self._kept: dict[Hashable, tuple[Hashable, CellStanding]] = {}

    def at_present(self, session: Session) -> Standing:
        """Return what says how cells stand, as of now: from memory where nothing has changed."""
        set_up = last_set_up(session)

        def standing(session: Session, cell: Cell, zone: tzinfo) -> CellStanding:
            place = cell.id, current(), str(zone)
            rests_on = set_up, cell.chain_head
            kept = self._kept.get(place)
            if kept is not None and kept[0] == rests_on:
                return kept[1]
            found = cell_standing(session, cell, zone)
            self._kept[place] = rests_on, found
            return found

        return standing
