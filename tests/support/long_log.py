"""A cell's logbook of as many cycles as are asked for, written past the slow checks of a real one.

However many cycles, they lie in 200 shifts and 300 of them failed: what a dossier tells of stays
as much.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import insert
from support.cells import make_cell

from trialog.evidence import define_requirement, start_trial
from trialog.records.database import unit_of_work
from trialog.records.models import Entry, EntryMode, Shift
from trialog.records.setup import NewRequirement
from trialog.records.storing import rebuild_rollups
from trialog.records.words import EntryKind, PlanKind, Stage

SHIFTS, FAILURES = 200, 300
BEGIN = datetime(2025, 1, 1, 6, 0, tzinfo=UTC)
ASKED = NewRequirement(name="R", stretch_hours=0.1, chance=0.9, confidence=0.95, design_rate=0.004)
NOTHING = {
    column.name: None for column in Entry.__table__.columns if column.name not in ("id", "text")
} | {"text": "", "reason": "", "previous_hash": "0" * 64, "hash": "0" * 64}


def long_log(session, cycles, *, a_line):
    """Write the logbook, and return a trial of the whole cell that all of it counts for.

    `a_line`: how many good cycles are logged at once, such as ten parts on a tray.
    """
    with unit_of_work(session):
        made = make_cell(session, BEGIN)
        by = {"actor": None, "now": BEGIN}
        asked = define_requirement(session, made.cell, ASKED, **by)
        trial = start_trial(
            session, asked, name="T", stage=Stage.BY_HAND, plan_kind=PlanKind.SEQUENTIAL, **by
        )
        modes = [made.dropped.id, made.slow.id, made.missed.id]
        log = _Log(session, made.cell.id, modes, a_line)
        for number in range(SHIFTS):
            log.write_shift(number, cycles // SHIFTS)
        made.cell.chain_length = log.lines
        session.flush()
        rebuild_rollups(session, made.cell, log.shift_ids)
    return trial


class _Log:
    """Writes shift after shift, and counts the lines and failures."""

    def __init__(self, session, cell_id, modes, a_line):
        self._session, self._cell_id, self._modes = session, cell_id, modes
        self._a_line = a_line
        self.lines, self.failures, self.counter, self.shift_ids = 0, 0, 0, []

    def write_shift(self, number, cycles):
        opened = BEGIN + timedelta(days=number)
        closed = opened + timedelta(hours=8)
        shift = Shift(
            cell_id=self._cell_id, label=f"S{number}", stage=Stage.BY_HAND, opened_at=opened,
            closed_at=closed, opening_counter=self.counter, closing_counter=self.counter + cycles,
        )  # fmt: skip
        self._session.add(shift)
        self._session.flush()
        self.shift_ids.append(shift.id)
        opening = {"opened_as": shift.label, "stage": Stage.BY_HAND, "counter": self.counter}
        rows = [self._row(shift, EntryKind.SHIFT_OPENED, opened, **opening)]
        lines = cycles // self._a_line
        failed = self._failed_lines(number, lines)
        seen = 0
        for line in range(lines):
            at = opened + timedelta(hours=8) * (line / lines)
            if line in failed:
                seen += 1
                rows.append(self._row(shift, EntryKind.FAILED, at, cycles=1, cycle_number=seen))
            if good := self._a_line - (line in failed):
                seen += good
                rows.append(self._row(shift, EntryKind.GOOD, at, cycles=good, cycle_number=seen))
        self.counter += cycles
        rows.append(self._row(shift, EntryKind.SHIFT_CLOSED, closed, counter=self.counter))
        self._session.execute(insert(Entry), rows)
        self._session.execute(insert(EntryMode), list(self._modes_of(rows)))

    def _failed_lines(self, number, lines):
        """Spread the shift's share of the failures over it, at places that no two shifts share."""
        share = FAILURES * (number + 1) // SHIFTS - FAILURES * number // SHIFTS
        return {(lines * place // share + 7 * number) % lines for place in range(share)}

    def _row(self, shift, kind, at, **fields):
        self.lines += 1
        return NOTHING | {
            "id": self.lines, "client_id": f"line-{self.lines}", "cell_id": self._cell_id,
            "sequence": self.lines, "shift_id": shift.id, "kind": kind, "occurred_at": at,
            "recorded_at": at, **fields,
        }  # fmt: skip

    def _modes_of(self, rows):
        for row in rows:
            if row["kind"] is EntryKind.FAILED:
                mode = self._modes[self.failures % len(self._modes)]
                self.failures += 1
                yield {"entry_id": row["id"], "failure_mode_id": mode}
