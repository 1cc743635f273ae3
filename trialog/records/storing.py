"""Store a checked batch: chain and insert its lines, then derive everything anew that follows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from itertools import islice

from sqlalchemy import insert, or_, select
from sqlalchemy.orm import Session

from trialog.records.audit import record_event
from trialog.records.batch import Batch
from trialog.records.counting import set_shift_facts
from trialog.records.due import want_shift_reports
from trialog.records.fresh import insert_lines
from trialog.records.models import Cell, Entry, EntryMode, Revision, Shift
from trialog.records.outbox import tell_closing
from trialog.records.rollups import (
    CellLayout,
    add_to_rollup,
    logged_cycles,
    roll_up,
    store_rollups,
)
from trialog.records.shiftlog import ShiftLog, read_log
from trialog.records.words import EntryKind

_WITH_ROWS = (EntryKind.FAILED, EntryKind.CHECK, EntryKind.REVISION)
"""Lines that rows of other tables point at."""

AT_ONCE = 100
"""Of how many shifts the rollups are stored at a time."""


def store(batch: Batch, meanwhile: Callable[[], None] | None = None) -> None:
    """Chain and insert the batch's lines, then bring everything derived up to date.

    `meanwhile` may be called while the database is at work, and must not use it.
    """
    session, cell = batch.session, batch.cell
    first = cell.chain_length + 1
    insert_lines(session, cell, batch.fresh.values(), meanwhile)
    kinds = {common.kind for common in {fresh.common for fresh in batch.fresh.values()}}
    keys = _store_modes_and_revisions(batch, first) if kinds.intersection(_WITH_ROWS) else {}
    for log in batch.logs.values():
        log.give_keys(keys)
    _store_shifts(batch)
    record_event(
        session, "wrote", "logbook", cell.id,
        actor=batch.actor, now=batch.now, lines=len(batch.fresh), first=first,
        kinds=sorted(map(str, kinds)),
        head=cell.chain_head,  # ties the logbook's end to the audit
    )  # fmt: skip


def _store_modes_and_revisions(batch: Batch, first: int) -> dict[str, int]:
    """Store what belongs to some kinds of lines; return the keys of those, by client id."""
    statement = select(Entry).where(
        Entry.cell_id == batch.cell.id, Entry.sequence >= first, Entry.kind.in_(_WITH_ROWS)
    )
    keys: dict[str, int] = {}
    modes: list[dict[str, int]] = []
    for entry in batch.session.scalars(statement):
        keys[entry.client_id] = entry.id
        if entry.kind is EntryKind.REVISION:
            revision = revision_of(entry)
            revision.withdrawn = entry.client_id in batch.withdrawn
            batch.session.add(revision)
        for mode in batch.fresh[entry.client_id].common.facts["mode_ids"]:
            modes.append({"entry_id": entry.id, "failure_mode_id": mode})
    if modes:
        batch.session.execute(insert(EntryMode), modes)
    batch.session.flush()
    return keys


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


def _store_shifts(batch: Batch) -> None:
    """Derive the touched shifts' facts, and the rollups of all shifts that the batch bears on."""
    session, cell = batch.session, batch.cell
    touched = [(batch.shifts[label], batch.logs[label]) for label in batch.touched]
    shifts = {shift.id: shift for shift, _ in touched}
    closed_now = {shift.id for shift, _ in touched if shift.closed_at is None}
    if batch.appends:  # all else that is derived of them is as it was
        for shift, log in touched:
            shift.good_by_counter |= log.facts().good_by_counter
    elif touched:
        set_shift_facts(session, cell, touched)
    for shift_id in closed_now:
        tell_closing(session, shifts[shift_id], now=batch.now)
    session.flush()
    told_anew = _told_anew(batch)
    if batch.changed_since:
        since = _shifts_since(session, cell, min(batch.changed_since))
        shifts |= {shift.id: shift for shift in since}
    reports = (shifts | told_anew).values()
    want_shift_reports(session, cell, reports, closed_now=closed_now, now=batch.now)
    if batch.appends:
        _add_to_rollups(batch)
    else:
        layout = None if batch.changed_since else batch.layout
        read = {batch.shifts[label].id: log for label, log in batch.logs.items()}
        rebuild_rollups(session, cell, shifts, layout=layout, logs=read)


def _add_to_rollups(batch: Batch) -> None:
    """Add up the new lines alone: nothing that was added up before changes by them."""
    for label in batch.touched:
        log, shift_id = batch.logs[label], batch.shifts[label].id
        lines = [line for line in log.lines if line.client_id in batch.fresh]
        failed = any(line.kind is EntryKind.FAILED for line in lines)
        before = logged_cycles(batch.session, shift_id) if failed else {}
        add_to_rollup(
            batch.session,
            roll_up(shift_id, log, batch.layout, lines=lines, logged_before=before),
        )


def _told_anew(batch: Batch) -> dict[int, Shift]:
    """Derive what the machine's readings say of shifts that opened or closed since they were made.

    Readings come late where nobody could hear them. Their shifts count what they counted.
    """
    session, cell, since = batch.session, batch.cell, batch.counted_since
    if since is None:
        return {}
    reached = select(Shift).where(
        Shift.cell_id == cell.id, or_(Shift.opened_at >= since, Shift.closed_at >= since)
    )
    found = {shift.id: shift for shift in session.scalars(reached)}
    set_shift_facts(
        session, cell, ((shift, read_log(session, shift, cell)) for shift in found.values())
    )
    session.flush()
    return {shift_id: shift for shift_id, shift in found.items() if shift.closed_at is not None}


def _shifts_since(session: Session, cell: Cell, moment: datetime) -> Sequence[Shift]:
    lines = select(Entry.shift_id).where(
        Entry.cell_id == cell.id, Entry.occurred_at >= moment, Entry.shift_id.is_not(None)
    )
    return session.scalars(select(Shift).where(Shift.id.in_(lines))).all()


def rebuild_rollups(
    session: Session,
    cell: Cell,
    shift_ids: Iterable[int],
    *,
    layout: CellLayout | None = None,
    logs: Mapping[int, ShiftLog] | None = None,
) -> None:
    """Derive the rollups of some of a cell's shifts afresh; `layout`, `logs`: what is read already.

    `logs` are by shift, and whole.
    """
    layout, logs = layout or CellLayout.of(session, cell), logs or {}
    ahead = iter(sorted(shift_ids))
    while some := list(islice(ahead, AT_ONCE)):
        rollups = []
        for shift_id in some:
            log = logs.get(shift_id) or read_log(session, session.get_one(Shift, shift_id), cell)
            rollups.append(roll_up(shift_id, log, layout))
        store_rollups(session, rollups)
