"""The one write path: every line of the logbook is checked, chained and rolled up here."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError, TrialogError, UnknownNameError
from trialog.records.audit import record_event
from trialog.records.chain import entry_hash
from trialog.records.entries import NewEntry, check_form, check_name
from trialog.records.models import (
    Cell,
    Entry,
    EntryMode,
    Person,
    Revision,
    Shift,
)
from trialog.records.rollups import CellLayout, roll_up, store_rollup
from trialog.records.shiftlog import Line, ShiftLog
from trialog.records.words import EntryKind

CHUNK = 500
"""How many ids go into one query; well under every database's limit of parameters."""


@dataclass(frozen=True)
class Rejected:
    """A line that cannot be written, by its place in the batch, and why."""

    index: int
    error: TrialogError


class RejectedEntriesError(TrialogError):
    """Lines of a batch break a rule, so none of it was written."""

    def __init__(self, rejected: Sequence[Rejected]) -> None:
        self.rejected = tuple(rejected)
        super().__init__(f"{len(rejected)} of the lines cannot be written: {rejected[0].error}")


@dataclass(frozen=True)
class Written:
    """What became of a batch: lines added, lines that were there already, lines rejected."""

    added: tuple[str, ...]
    repeated: tuple[str, ...]
    rejected: tuple[Rejected, ...]


@dataclass
class _Batch:
    """A batch under way: the shifts it touches, and what it will add."""

    session: Session
    cell: Cell
    layout: CellLayout
    actor: Person | None
    now: datetime
    logs: dict[str, ShiftLog] = field(default_factory=dict)
    shifts: dict[str, Shift] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)
    facts: dict[str, dict[str, Any]] = field(default_factory=dict)
    changed_since: list[datetime] = field(default_factory=list)


def write_entries(
    session: Session,
    cell: Cell,
    entries: Sequence[NewEntry],
    *,
    actor: Person | None,
    now: datetime,
    good_only: bool = False,
) -> Written:
    """Write lines into a cell's logbook: all of them, or with `good_only` those without fault.

    A line whose client id is there already with the same content changes nothing. The cell's
    row stays locked until the transaction ends, so that two tablets take turns.

    Raises
    ------
    RejectedEntriesError
        If a line breaks a rule and `good_only` is not set. Nothing has been written.
    ConflictError
        If more than one shift of the cell would be left open.
    """
    session.refresh(cell, with_for_update=True)
    batch = _Batch(session, cell, CellLayout.of(session, cell), actor, now)
    known = _known_entries(session, [entry.client_id for entry in entries])
    repeated: list[str] = []
    rejected: list[Rejected] = []
    for index, entry in enumerate(entries):
        try:
            if entry.client_id in known:
                _require_same(entry, known[entry.client_id], cell)
                repeated.append(entry.client_id)
            else:
                _admit(batch, entry)
        except TrialogError as error:
            rejected.append(Rejected(index, error))
    if rejected and not good_only:
        raise RejectedEntriesError(rejected)
    if batch.facts:
        _require_one_open(batch)
        _store(batch)
    return Written(tuple(batch.facts), tuple(repeated), tuple(rejected))


def write_entry(
    session: Session, cell: Cell, entry: NewEntry, *, actor: Person | None, now: datetime
) -> Entry:
    """Write one line and return it; the line that is there already when it is a repeat.

    Raises
    ------
    TrialogError
        Whatever rule the line breaks.
    """
    try:
        write_entries(session, cell, [entry], actor=actor, now=now)
    except RejectedEntriesError as error:
        raise error.rejected[0].error from error
    return session.scalars(select(Entry).where(Entry.client_id == entry.client_id)).one()


def chunks(values: Sequence[str]) -> Iterator[Sequence[str]]:
    """Cut a sequence of ids into pieces that fit one query."""
    return (values[start : start + CHUNK] for start in range(0, len(values), CHUNK))


def _known_entries(session: Session, client_ids: Sequence[str]) -> dict[str, Entry]:
    known: dict[str, Entry] = {}
    for chunk in chunks(client_ids):
        found = session.scalars(select(Entry).where(Entry.client_id.in_(chunk)))
        known |= {entry.client_id: entry for entry in found}
    return known


SAME = (
    "kind", "person_id", "cycles", "counter", "counter_event", "reading", "clear_seconds",
    "condition", "device_id", "resets_evidence", "failure_mode_id", "relevant", "target",
    "text", "reason",
)  # fmt: skip
"""What must agree for a line to be a repeat."""


def _require_same(entry: NewEntry, known: Entry, cell: Cell) -> None:
    """Tell a repeat from another line under the same id."""
    same = (
        known.cell_id == cell.id
        and all(getattr(entry, name) == getattr(known, name) for name in SAME)
        and entry.shift in (None, known.shift and known.shift.label)
        and entry.occurred_at in (None, known.occurred_at)
        and entry.cycle_number in (None, known.cycle_number)
        and set(entry.mode_ids) == {mode.id for mode in known.modes}
    )
    if not same:
        raise ConflictError(
            f"client_id must be new for a new line, but {entry.client_id!r} already stands for "
            f"a {known.kind} line with other content"
        )


def _admit(batch: _Batch, entry: NewEntry) -> None:
    """Check a line against the rules and the lines before it, and take it into the batch."""
    check_form(entry, batch.now)
    if entry.client_id in batch.facts:
        raise ConflictError(f"client_id must be given once, got {entry.client_id!r} again")
    _require_layout(batch.layout, entry)
    moment = entry.occurred_at or batch.now
    label = _shift_label(batch, entry)
    number = None
    if entry.kind is EntryKind.SHIFT_OPENED:
        _open_shift(batch, entry, moment)
    elif label is not None:
        number = _log(batch, label).admit(entry)
    elif entry.kind is EntryKind.UNDO:
        _withdraw_revision(batch, entry)
    line = _line(entry, moment, number)
    if label is not None:
        batch.logs[label].add(line)
        batch.touched.add(label)
    if entry.kind is EntryKind.REVISION:
        batch.changed_since.append(moment)
    batch.facts[entry.client_id] = _facts(batch, entry, line, label)


def _require_layout(layout: CellLayout, entry: NewEntry) -> None:
    for mode in entry.mode_ids:
        if mode not in layout.device_of_mode:
            raise UnknownNameError("failure mode", "belong to the cell", mode)
    if entry.device_id is not None and entry.device_id not in layout.device_ids:
        raise UnknownNameError("device", "belong to the cell", entry.device_id)


def _shift_label(batch: _Batch, entry: NewEntry) -> str | None:
    """Return the shift a line belongs to: as named, or as its target's."""
    if entry.kind is EntryKind.REVISION:
        return None
    if entry.kind is EntryKind.SHIFT_OPENED and entry.shift is not None:
        return check_name("shift", entry.shift)
    if entry.shift is not None:
        return entry.shift
    if entry.target is None:
        raise InvalidValueError("shift", "be given", entry.shift)
    statement = select(Entry).where(Entry.client_id == entry.target, Entry.cell_id == batch.cell.id)
    target = batch.session.scalar(statement)
    if target is None:
        raise UnknownNameError("target", "be a line of the cell's logbook", entry.target)
    return None if target.shift is None else target.shift.label


def _open_shift(batch: _Batch, entry: NewEntry, moment: datetime) -> None:
    label = check_name("shift", entry.shift or "")
    if entry.stage is None:
        raise InvalidValueError("stage", "be given", entry.stage)
    if _find_shift(batch, label) is not None:
        raise ConflictError(f"shift must be new, but {label!r} was opened before")
    shift = Shift(cell_id=batch.cell.id, label=label, stage=entry.stage, opened_at=moment)
    batch.session.add(shift)
    batch.session.flush()
    batch.shifts[label] = shift
    batch.logs[label] = ShiftLog(label, entry.stage, batch.cell.counter_modulus)


def _find_shift(batch: _Batch, label: str) -> Shift | None:
    statement = select(Shift).where(Shift.cell_id == batch.cell.id, Shift.label == label)
    return batch.shifts.get(label) or batch.session.scalar(statement)


def _log(batch: _Batch, label: str) -> ShiftLog:
    if label not in batch.logs:
        shift = _find_shift(batch, label)
        if shift is None:
            raise UnknownNameError("shift", "be an opened shift of the cell", label)
        batch.shifts[label] = shift
        batch.logs[label] = read_log(batch.session, shift, batch.cell)
    return batch.logs[label]


def read_log(session: Session, shift: Shift, cell: Cell) -> ShiftLog:
    """Read a shift's lines from the records."""
    log = ShiftLog(shift.label, shift.stage, cell.counter_modulus)
    modes: dict[int, list[int]] = {}
    of_shift = (
        select(EntryMode.entry_id, EntryMode.failure_mode_id)
        .join(Entry, Entry.id == EntryMode.entry_id)
        .where(Entry.shift_id == shift.id)
        .order_by(EntryMode.failure_mode_id)
    )
    for entry_id, mode_id in session.execute(of_shift):
        modes.setdefault(entry_id, []).append(mode_id)
    columns = [getattr(Entry, name) for name in LINE_COLUMNS]
    lines = select(Entry.id, *columns).where(Entry.shift_id == shift.id).order_by(Entry.sequence)
    for entry_id, *values in session.execute(lines):
        facts = dict(zip(LINE_COLUMNS, values, strict=True))
        log.add(Line(entry_id=entry_id, mode_ids=tuple(modes.get(entry_id, ())), **facts))
    return log


LINE_COLUMNS = (
    "client_id", "kind", "occurred_at", "person_id", "cycles", "cycle_number", "counter",
    "counter_event", "reading", "condition", "failure_mode_id", "relevant", "target",
)  # fmt: skip


def _line(entry: NewEntry, moment: datetime, number: int | None) -> Line:
    facts = {name: getattr(entry, name) for name in LINE_COLUMNS}
    facts |= {"occurred_at": moment, "cycle_number": number}
    return Line(mode_ids=tuple(sorted(entry.mode_ids)), **facts)


def _withdraw_revision(batch: _Batch, entry: NewEntry) -> None:
    statement = select(Revision).join(Entry, Entry.id == Revision.entry_id)
    revision = batch.session.scalar(statement.where(Entry.client_id == entry.target))
    if revision is None or revision.withdrawn:
        raise ConflictError(f"line {entry.target!r} is already undone")
    revision.withdrawn = True
    batch.changed_since.append(revision.effective_at or batch.now)


def _facts(batch: _Batch, entry: NewEntry, line: Line, label: str | None) -> dict[str, Any]:
    """Return the columns of an entry's row and its modes, without place and hash."""
    return {
        **{name: getattr(entry, name) for name in SAME},
        "client_id": entry.client_id,
        "cell_id": batch.cell.id,
        "shift_id": None if label is None else batch.shifts[label].id,
        "occurred_at": line.occurred_at,
        "recorded_at": batch.now,
        "recorded_by_id": None if batch.actor is None else batch.actor.id,
        "cycle_number": line.cycle_number,
        "mode_ids": list(line.mode_ids),
    }


def _require_one_open(batch: _Batch) -> None:
    """Refuse to leave two shifts of a cell open: nobody could tell where a tap belongs."""
    open_shifts = select(Shift).where(Shift.cell_id == batch.cell.id, Shift.closed_at.is_(None))
    labels = {shift.label for shift in batch.session.scalars(open_shifts)} - batch.touched
    labels |= {label for label in batch.touched if batch.logs[label].closing is None}
    if len(labels) > 1:
        names = " and ".join(sorted(labels))
        raise ConflictError(f"only one shift of a cell can be open, but these would be: {names}")


def _store(batch: _Batch) -> None:
    """Chain and insert the batch's lines, then bring everything derived up to date."""
    session, cell = batch.session, batch.cell
    first = cell.chain_length + 1
    rows = list(batch.facts.values())
    for facts in rows:
        facts["sequence"] = cell.chain_length + 1
        facts["previous_hash"] = cell.chain_head
        facts["hash"] = cell.chain_head = entry_hash(cell.chain_head, facts)
        cell.chain_length += 1
    session.execute(
        insert(Entry), [{k: v for k, v in facts.items() if k != "mode_ids"} for facts in rows]
    )
    _store_modes_and_revisions(batch, first)
    _store_shifts(batch)
    kinds = sorted({str(facts["kind"]) for facts in rows})
    record_event(
        session, "wrote", "logbook", cell.id,
        actor=batch.actor, now=batch.now, lines=len(rows), first=first, kinds=kinds,
    )  # fmt: skip


def _store_modes_and_revisions(batch: _Batch, first: int) -> None:
    statement = select(Entry).where(
        Entry.cell_id == batch.cell.id,
        Entry.sequence >= first,
        Entry.kind.in_((EntryKind.FAILED, EntryKind.REVISION)),
    )
    modes: list[dict[str, int]] = []
    for entry in batch.session.scalars(statement):
        if entry.kind is EntryKind.REVISION:
            batch.session.add(revision_of(entry))
        for mode in batch.facts[entry.client_id]["mode_ids"]:
            modes.append({"entry_id": entry.id, "failure_mode_id": mode})
    if modes:
        batch.session.execute(insert(EntryMode), modes)
    batch.session.flush()


def revision_of(entry: Entry) -> Revision:
    """Return the revision that an entry of that kind stands for."""
    return Revision(
        cell_id=entry.cell_id,
        device_id=entry.device_id,
        entry_id=entry.id,
        effective_at=entry.occurred_at,
        what=entry.text,
        resets_evidence=bool(entry.resets_evidence),
        reason=entry.reason,
    )


def _store_shifts(batch: _Batch) -> None:
    """Derive the touched shifts' facts, and the rollups of all shifts that the batch bears on."""
    for label in batch.touched:
        facts = batch.logs[label].facts()
        for name in ("opened_at", "opening_counter", "closed_at", "closing_counter",
                     "counter_event"):  # fmt: skip
            setattr(batch.shifts[label], name, getattr(facts, name))
    batch.session.flush()
    shifts = {shift.id for label, shift in batch.shifts.items() if label in batch.touched}
    if batch.changed_since:
        shifts |= _shifts_since(batch.session, batch.cell, min(batch.changed_since))
    rebuild_rollups(batch.session, batch.cell, shifts)


def _shifts_since(session: Session, cell: Cell, moment: datetime) -> set[int]:
    statement = select(Entry.shift_id).where(
        Entry.cell_id == cell.id, Entry.occurred_at >= moment, Entry.shift_id.is_not(None)
    )
    return {shift_id for shift_id in session.scalars(statement.distinct()) if shift_id is not None}


def rebuild_rollups(session: Session, cell: Cell, shift_ids: Iterable[int]) -> None:
    """Derive the rollups of some of a cell's shifts afresh."""
    layout = CellLayout.of(session, cell)
    for shift_id in sorted(shift_ids):
        log = read_log(session, session.get_one(Shift, shift_id), cell)
        store_rollup(session, roll_up(shift_id, log, layout))
