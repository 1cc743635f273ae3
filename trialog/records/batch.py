"""A batch of new lines under way: each is checked against the rules and the lines before it."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from operator import attrgetter
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError, UnknownNameError
from trialog.records.counting import MachineReading, check_follows, last_two
from trialog.records.entries import NewEntry, check_form, check_line, check_name
from trialog.records.fresh import Common, Fresh
from trialog.records.lateness import tapped_before
from trialog.records.machine_goods import goods_at_close, undone_with
from trialog.records.models import Cell, Entry, Person, Revision, Shift
from trialog.records.rollups import CellLayout
from trialog.records.shift_ends import APPENDING, read_end
from trialog.records.shiftlog import COUNTED, LINE_COLUMNS, Line, ShiftLog, read_log
from trialog.records.words import EntryKind

SAME = (
    "kind", "person_id", "stage", "cycles", "counter", "counter_event", "reading", "clear_seconds",
    "condition", "device_id", "resets_evidence", "failure_mode_id", "relevant", "target",
    "cause", "photo", "text", "reason",
)  # fmt: skip
"""What must agree for a line to be a repeat."""

FROM_TABLET = ("tablet_id", "tablet_number", "tablet_time")

_KEPT = (*SAME, *FROM_TABLET)
_kept, _line_columns = attrgetter(*_KEPT), attrgetter(*LINE_COLUMNS)


@dataclass
class Batch:
    """A batch under way: the shifts it touches, and what it will add.

    `appends`: all of its lines only come on top of what stands, so that of a shift its end will do.
    """

    session: Session
    cell: Cell
    layout: CellLayout
    actor: Person | None
    now: datetime
    appends: bool = False
    logs: dict[str, ShiftLog] = field(default_factory=dict)
    shifts: dict[str, Shift] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)
    fresh: dict[str, Fresh] = field(default_factory=dict)
    """The lines that it adds, by client id."""

    commons: dict[Hashable, Common] = field(default_factory=dict)
    """What cycles that say the same have in common, by what they say."""

    changed_since: list[datetime] = field(default_factory=list)
    people: set[int] = field(default_factory=set)
    withdrawn: set[str] = field(default_factory=set)
    machine: list[MachineReading] | None = None
    """The machine's newest lines; None while nobody has asked for them."""

    made: set[str] = field(default_factory=set)
    """Lines that others of the batch brought along. A file of a logbook names them, too."""

    counted_since: datetime | None = None
    """From when on the machine's lines of the batch tell of what was."""

    def label_of(self, shift_id: int | None) -> str | None:
        """Return the label of a shift that the batch has to do with."""
        return next((label for label, shift in self.shifts.items() if shift.id == shift_id), None)


def only_appends(entries: Sequence[NewEntry]) -> bool:
    """Say whether lines only come on top of those that stand, whatever these are."""
    return all(entry.kind in APPENDING and not entry.counts_by_counter for entry in entries)


def admit(batch: Batch, entry: NewEntry) -> None:
    """Check a line against the rules and the lines before it, and take it into the batch."""
    common = batch.commons.get(said := entry.said)
    if common is not None and common.log is not None and common.log.closing is None:
        _admit_again(batch, entry, common, common.log)
        return
    check_form(entry, batch.now)
    if not _is_new(batch, entry):
        return
    _require_layout(batch.layout, entry)
    _require_person(batch, entry)
    moment = entry.occurred_at or batch.now
    if entry.kind is EntryKind.COUNT:
        _admit_count(batch, entry, moment)
    else:
        _admit_of_people(batch, entry, moment)
        if _goes_on(entry):
            batch.commons[said] = batch.fresh[entry.client_id].common


def _admit_again(batch: Batch, entry: NewEntry, common: Common, log: ShiftLog) -> None:
    """Take in a cycle that says what one before it in the batch said: only its own is checked."""
    check_line(entry, batch.now)
    if _is_new(batch, entry):
        moment, number = entry.occurred_at or batch.now, log.number(entry)
        log.add(common.line.again(entry.client_id, moment, number))
        batch.fresh[entry.client_id] = Fresh(entry.client_id, moment, number, common)


def _is_new(batch: Batch, entry: NewEntry) -> bool:
    """Say whether the batch has not brought a line along itself already."""
    if entry.client_id in batch.made:
        batch.made.discard(entry.client_id)
        return False
    if entry.client_id in batch.fresh:
        raise ConflictError(f"client_id must be given once, got {entry.client_id!r} again")
    return True


def _goes_on(entry: NewEntry) -> bool:
    """Say whether of lines that say the same as this one only the first need be looked at."""
    own = entry.tablet_id is not None or entry.waited or entry.counts_by_counter
    return entry.kind in COUNTED and not own


def _admit_of_people(batch: Batch, entry: NewEntry, moment: datetime) -> None:
    label = _shift_label(batch, entry)
    number = None
    if entry.kind is EntryKind.SHIFT_OPENED:
        _open_shift(batch, entry, moment)
    elif label is not None:
        _add_machine_goods(batch, label, entry, moment)
        entry, number = _admit_to_shift(batch, label, entry)
    elif entry.kind is EntryKind.UNDO:
        _withdraw_revision(batch, entry)
    line = _line(entry, moment, number)
    if label is not None:
        batch.logs[label].add(line)
        batch.touched.add(label)
    if entry.kind is EntryKind.REVISION:
        batch.changed_since.append(moment)
    _add(batch, entry, line, label)
    if label is not None:
        _undo_machine_goods(batch, label, entry)


def _admit_count(batch: Batch, entry: NewEntry, moment: datetime) -> None:
    """Take in what the machine said. It is no line of a shift's log: it counts nothing itself."""
    if batch.machine is None:
        batch.machine = last_two(batch.session, batch.cell.id)
    check_follows(entry._replace(occurred_at=moment), batch.machine, batch.cell.counter_modulus)
    label = _shift_at(batch, moment) if entry.shift is None else check_name("shift", entry.shift)
    if label is not None:
        _known_shift(batch, label)
    since = [moment, *(line.at for line in batch.machine[-1:] if entry.reason)]
    batch.counted_since = min([*since, batch.counted_since or moment])
    place = batch.cell.chain_length + len(batch.fresh) + 1
    said = MachineReading(
        place, moment, entry.counter, entry.counter_event, bool(entry.reason.strip())
    )
    counted = [line for line in batch.machine if line.counter is not None]
    batch.machine = [said] if entry.counter is not None else [said, *counted]
    _add(batch, entry, _line(entry, moment, None), label)


def _shift_at(batch: Batch, moment: datetime) -> str | None:
    """Return the shift that was open at a moment, as far as the logbook knows by now."""
    statement = select(Shift).where(Shift.cell_id == batch.cell.id, Shift.opened_at <= moment)
    newest = statement.order_by(Shift.opened_at.desc(), Shift.id.desc()).limit(1)
    shift = batch.session.scalar(newest.execution_options(populate_existing=True))
    if shift is None:
        return None
    log = batch.logs.get(shift.label)
    closed_at = shift.closed_at if log is None else log.facts().closed_at
    return shift.label if closed_at is None or closed_at >= moment else None


def _add_machine_goods(batch: Batch, label: str, entry: NewEntry, moment: datetime) -> None:
    """Take in the good cycles that the machine counted, ahead of the closing that they end at.

    The closing is checked first: one that is refused must leave nothing behind.
    """
    if entry.kind is not EntryKind.SHIFT_CLOSED or not batch.cell.good_by_machine:
        return
    log, closing = _log(batch, label), entry._replace(occurred_at=moment)
    log.admit(closing)
    lines = goods_at_close(batch.session, batch.cell, log, closing, batch.layout.revision_times)
    for line in lines:
        admit(batch, line)


def _undo_machine_goods(batch: Batch, label: str, entry: NewEntry) -> None:
    """Take back with a closing the good cycles that it brought along."""
    if entry.kind is EntryKind.UNDO:
        for undoing in list(undone_with(batch.logs[label], entry)):
            admit(batch, undoing)
            batch.made.add(undoing.client_id)


def _admit_to_shift(batch: Batch, label: str, entry: NewEntry) -> tuple[NewEntry, int | None]:
    """Check a line against its shift; return it as it is to be stored, and its cycle number."""
    log = _log(batch, label)
    if entry.counts_by_counter:
        # They ran at some time since the last reading: their place is not known.
        goods = log.goods_by(entry.counter or 0)
        entry = entry._replace(cycles=goods or None, order_known=False)
    if entry.waited and _was_overtaken(batch, label, entry):
        entry = entry._replace(order_known=False)
    return entry, log.admit(entry, late=_is_late(batch, log, entry))


def _was_overtaken(batch: Batch, label: str, entry: NewEntry) -> bool:
    """Say whether others logged cycles of the shift that a waiting line's tablet did not know of.

    Which of them came first nobody can tell then: a tablet's clock may be wrong.
    """
    others = select(Entry.id).where(
        Entry.shift_id == batch.shifts[label].id,
        Entry.sequence > (entry.seen or 0),
        Entry.kind.in_(COUNTED),
        or_(Entry.tablet_id.is_(None), Entry.tablet_id != entry.tablet_id),
    )
    return batch.session.scalar(others.limit(1)) is not None


def _is_late(batch: Batch, log: ShiftLog, entry: NewEntry) -> bool:
    """Say whether a line was tapped before its tablet heard that the shift was closed."""
    if log.closing is None or entry.late or entry.tablet_id is None:
        return entry.late
    closed = select(Entry).where(Entry.client_id == log.closing.client_id)
    closing = batch.session.scalar(closed)
    return closing is not None and tapped_before(batch.session, entry, closing)


def _require_layout(layout: CellLayout, entry: NewEntry) -> None:
    for mode in entry.mode_ids:
        if mode not in layout.device_of_mode:
            raise UnknownNameError("failure mode", "belong to the cell", mode)
    if entry.device_id is not None and entry.device_id not in layout.device_ids:
        raise UnknownNameError("device", "belong to the cell", entry.device_id)


def _require_person(batch: Batch, entry: NewEntry) -> None:
    if entry.person_id is None or (batch.actor is not None and entry.person_id == batch.actor.id):
        return
    if not batch.people:
        batch.people.update(batch.session.scalars(select(Person.id)))
    if entry.person_id not in batch.people:
        raise UnknownNameError("person", "be a known person", entry.person_id)


def _shift_label(batch: Batch, entry: NewEntry) -> str | None:
    """Return the shift a line belongs to: as named, or as its target's."""
    if entry.kind is EntryKind.REVISION:
        return None
    if entry.shift is not None:
        return check_name("shift", entry.shift)
    if entry.target is None:
        raise InvalidValueError("shift", "be given", entry.shift)
    if entry.target in batch.fresh:
        about = batch.fresh[entry.target].common
        _refuse_about_count(entry, about.kind)
        return batch.label_of(about.facts["shift_id"])
    statement = select(Entry).where(Entry.client_id == entry.target, Entry.cell_id == batch.cell.id)
    target = batch.session.scalar(statement)
    if target is None:
        raise UnknownNameError("target", "be a line of the cell's logbook", entry.target)
    _refuse_about_count(entry, target.kind)
    return None if target.shift is None else target.shift.label


def _refuse_about_count(entry: NewEntry, kind: EntryKind) -> None:
    """Refuse to undo what the machine said; an engineer's reading stands against it instead."""
    if kind is EntryKind.COUNT:
        raise ConflictError(f"a line of kind '{kind}' stays; no {entry.kind} line can be about it")


def _open_shift(batch: Batch, entry: NewEntry, moment: datetime) -> None:
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


def _find_shift(batch: Batch, label: str) -> Shift | None:
    if label in batch.shifts:
        return batch.shifts[label]
    statement = select(Shift).where(Shift.cell_id == batch.cell.id, Shift.label == label)
    # The session may have read the shift before the cell was locked, and another tablet
    # have closed it since.
    return batch.session.scalar(statement.execution_options(populate_existing=True))


def _log(batch: Batch, label: str) -> ShiftLog:
    if label not in batch.logs:
        shift = _known_shift(batch, label)
        if batch.appends:
            batch.logs[label] = read_end(batch.session, shift, batch.cell.counter_modulus)
        else:
            batch.logs[label] = read_log(batch.session, shift, batch.cell)
    return batch.logs[label]


def _known_shift(batch: Batch, label: str) -> Shift:
    shift = _find_shift(batch, label)
    if shift is None:
        raise UnknownNameError("shift", "be an opened shift of the cell", label)
    batch.shifts[label] = shift
    return shift


def _line(entry: NewEntry, moment: datetime, number: int | None) -> Line:
    facts = dict(zip(LINE_COLUMNS, _line_columns(entry), strict=True))
    facts |= {"occurred_at": moment, "cycle_number": number}
    return Line(mode_ids=tuple(sorted(entry.mode_ids)), **facts)


def _withdraw_revision(batch: Batch, entry: NewEntry) -> None:
    if entry.target in batch.fresh:
        _withdraw_new_revision(batch, entry.target)
        return
    statement = select(Revision).join(Entry, Entry.id == Revision.entry_id)
    revision = batch.session.scalar(statement.where(Entry.client_id == entry.target))
    if revision is None or revision.withdrawn:
        raise ConflictError(f"line {entry.target!r} is already undone")
    revision.withdrawn = True
    batch.changed_since.append(revision.effective_at or batch.now)


def _withdraw_new_revision(batch: Batch, target: str) -> None:
    """Withdraw a revision of the same batch, which is not in the records yet."""
    if batch.fresh[target].common.kind is not EntryKind.REVISION or target in batch.withdrawn:
        raise ConflictError(f"line {target!r} is already undone")
    batch.withdrawn.add(target)


def _add(batch: Batch, entry: NewEntry, line: Line, label: str | None) -> None:
    facts = _facts(batch, entry, line, label)
    common = Common(facts, line, None if label is None else batch.logs.get(label))
    batch.fresh[entry.client_id] = Fresh(
        entry.client_id, line.occurred_at, line.cycle_number, common
    )


def _facts(batch: Batch, entry: NewEntry, line: Line, label: str | None) -> dict[str, Any]:
    """Return the columns of an entry's row and its modes, without place and hash."""
    return {
        **dict(zip(_KEPT, _kept(entry), strict=True)),
        "client_id": entry.client_id,
        "cell_id": batch.cell.id,
        "shift_id": None if label is None else batch.shifts[label].id,
        "opened_as": label if entry.kind is EntryKind.SHIFT_OPENED else None,
        "occurred_at": line.occurred_at,
        "recorded_at": batch.now,
        "recorded_by_id": None if batch.actor is None else batch.actor.id,
        "cycle_number": line.cycle_number,
        "mode_ids": list(line.mode_ids),
    }


def require_one_open(session: Session, cell: Cell, batch: Batch | None = None) -> None:
    """Refuse to leave two shifts of a cell open: nobody could tell where a tap belongs.

    `batch`: what is about to be stored besides.
    """
    open_shifts = select(Shift).where(Shift.cell_id == cell.id, Shift.closed_at.is_(None))
    labels = {shift.label for shift in session.scalars(open_shifts)}
    if batch is not None:
        labels -= batch.touched
        labels |= {label for label in batch.touched if batch.logs[label].closing is None}
    if len(labels) > 1:
        names = " and ".join(sorted(labels))
        raise ConflictError(f"only one shift of a cell can be open, but these would be: {names}")
