"""Write a cell's logbook as a cycle log, so that importing it gives the same logbook back."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from trialog.feeds.columns import CYCLE_LOG, NO_CAUSE, TEXT_COLUMNS
from trialog.records.formulas import guard
from trialog.records.models import (
    Cell,
    Device,
    Entry,
    EntryMode,
    FailureMode,
    Person,
    Shift,
    Tablet,
)
from trialog.records.shiftlog import AFTER_CLOSE, COUNTED, ShiftLog, counted_by_machine, read_log
from trialog.records.words import EntryKind

CHUNK = 500
"""Lines read at a time; as many ids go into one query."""

_COLUMNS = (
    "id", "sequence", "client_id", "kind", "shift_id", "occurred_at", "person_id", "cycles",
    "cycle_number", "counter", "counter_event", "clear_seconds", "condition", "reading",
    "device_id", "resets_evidence", "relevant", "failure_mode_id", "target", "text", "reason",
    "tablet_id", "tablet_number", "tablet_time", "photo", "cause",
)  # fmt: skip


def export_csv(session: Session, cell: Cell) -> Iterator[str]:
    """Write all lines of a cell's logbook, in order, piece by piece.

    Undone lines, undoings, rulings and revisions are there too, each with its id, so that
    an import elsewhere gives the same logbook and an import here adds nothing.
    """
    cells = _Cells(session, cell)
    yield _csv([CYCLE_LOG])
    last = 0
    while chunk := _next_entries(session, cell, last):
        modes = _modes_of(session, [entry.id for entry in chunk])
        yield _csv([cells.row(entry, modes.get(entry.id, ())) for entry in chunk])
        last = chunk[-1].sequence


def _csv(rows: Sequence[Sequence[str]]) -> str:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue()


def _next_entries(session: Session, cell: Cell, last: int) -> Sequence[Row[Any]]:
    columns = [getattr(Entry, name) for name in _COLUMNS]
    statement = (
        select(*columns)
        .where(Entry.cell_id == cell.id, Entry.sequence > last)
        .order_by(Entry.sequence)
        .limit(CHUNK)
    )
    return session.execute(statement).all()


def _modes_of(session: Session, entry_ids: Sequence[int]) -> dict[int, list[int]]:
    statement = (
        select(EntryMode.entry_id, EntryMode.failure_mode_id)
        .where(EntryMode.entry_id.in_(entry_ids))
        .order_by(EntryMode.failure_mode_id)
    )
    modes: dict[int, list[int]] = {}
    for entry_id, mode_id in session.execute(statement):
        modes.setdefault(entry_id, []).append(mode_id)
    return modes


class _Cells:
    """Turns a line of the logbook into a row's cells."""

    def __init__(self, session: Session, cell: Cell) -> None:
        self._session = session
        self._cell = cell
        on_cell = select(Shift).where(Shift.cell_id == cell.id)
        self._shifts = {shift.id: shift for shift in session.scalars(on_cell)}
        self._people = _names(session, Person)
        self._devices = _names(session, Device)
        self._modes = _names(session, FailureMode)
        self._tablets = _names(session, Tablet)
        self._closings: dict[int, str] = {}

    def row(self, entry: Row[Any], modes: Sequence[int]) -> list[str]:
        """Return a line's cells, in the order of the columns."""
        shift = self._shifts.get(entry.shift_id)
        filled = {
            "shift": None if shift is None else shift.label,
            "cycle": entry.cycle_number,
            "time": _time(entry.occurred_at),
            "outcome": entry.kind.value,
            "modes": ";".join(self._modes[mode] for mode in modes),
            "operator": self._people.get(entry.person_id),
            "note": entry.text,
            "id": entry.client_id,
            "cycles": entry.cycles,
            "counter": entry.counter,
            "counter_event": entry.counter_event,
            "clear_seconds": entry.clear_seconds,
            "condition": entry.condition,
            "reading": entry.reading,
            "device": self._devices.get(entry.device_id),
            "resets_evidence": _yes_no(entry.resets_evidence),
            "ruling": _ruling(entry.relevant),
            "mode": self._modes.get(entry.failure_mode_id),
            "target": entry.target,
            "reason": entry.reason,
            "tablet": self._tablets.get(entry.tablet_id),
            "tablet_number": entry.tablet_number,
            "tablet_time": None if entry.tablet_time is None else _time(entry.tablet_time),
            "photo": entry.photo,
            "late": "yes" if self._is_late(entry) else None,
            "cause": NO_CAUSE if _lacks_cause(entry) else entry.cause,
        } | self._derived(entry, shift)
        return [_cell(column, filled.get(column)) for column in CYCLE_LOG]

    def _derived(self, entry: Row[Any], shift: Shift | None) -> dict[str, str | None]:
        """Return what a line needs to be written again and its row in the records lacks."""
        if entry.kind in COUNTED and entry.cycles is not None and entry.cycle_number is None:
            return {"order_known": "no"}
        if shift is not None and entry.kind is EntryKind.SHIFT_OPENED:
            return {"stage": shift.stage}
        if shift is not None and entry.kind is EntryKind.SHIFT_CLOSED:
            return {"mismatch_accepted": _yes_no(self._mismatch(entry, shift) or None)}
        return {}

    def _is_late(self, entry: Row[Any]) -> bool:
        """Say whether a line came in after its shift was closed, though it was tapped before.

        Goes by the lines given so far, so it has to be asked for each in order.
        """
        if entry.kind is EntryKind.SHIFT_CLOSED:
            self._closings[entry.shift_id] = entry.client_id
            return False
        closing = self._closings.get(entry.shift_id)
        if entry.kind is EntryKind.UNDO:
            if entry.target == closing:
                self._closings.pop(entry.shift_id, None)
                return False
            return closing is not None and entry.tablet_id is not None
        own = (*AFTER_CLOSE, EntryKind.COUNT)
        return closing is not None and entry.kind not in own

    def _mismatch(self, closing: Row[Any], shift: Shift) -> bool:
        """Say whether a shift was closed with more cycles logged than the machine counted."""
        before = ShiftLog(shift.label, shift.stage, self._cell.counter_modulus)
        for line in read_log(self._session, shift, self._cell).lines:
            if line.client_id == closing.client_id:
                break
            before.add(line)
        counted = counted_by_machine(
            before.facts().opening_counter,
            closing.counter,
            closing.counter_event,
            self._cell.counter_modulus,
        )
        return counted is not None and counted < max(before.logged, before.last_number)


def _names(session: Session, table: type[Any]) -> dict[int, str]:
    return {row_id: name for row_id, name in session.execute(select(table.id, table.name))}


def _cell(column: str, value: object) -> str:
    text = "" if value is None else str(value)
    return guard(text) if column in TEXT_COLUMNS else text


def _time(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def _yes_no(value: bool | None) -> str | None:
    return None if value is None else "yes" if value else "no"


def _lacks_cause(entry: Row[Any]) -> bool:
    """Say whether a ruling would need a cause if it were written today."""
    return entry.relevant is False and entry.cause is None


def _ruling(relevant: bool | None) -> str | None:
    return None if relevant is None else "relevant" if relevant else "non-relevant"
