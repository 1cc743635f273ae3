"""A cell to log on, and short ways to write what happens at it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from datetime import timedelta

import pytest
from sqlalchemy import select

from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.logbook import write_entries
from trialog.records.models import Cell, Device, FailureMode
from trialog.records.setup import add_cell, add_device, add_mode
from trialog.records.words import Effect, EntryKind, RulingCause, Stage

COUNTER_MODULUS = 10_000

_numbers = itertools.count(1)


@dataclass(frozen=True)
class CellUnderTest:
    """A cell with three devices; the arm has two failure modes, the others one each."""

    cell: Cell
    arm: Device
    jet: Device
    tray: Device
    dropped: FailureMode
    slow: FailureMode
    chips: FailureMode
    missed: FailureMode

    @property
    def id(self):
        return self.cell.id


def make_cell(session, now, name="Lathe 4", *, actor=None):
    """Add a cell with three devices and four modes, one of each effect. Does not commit."""
    by = {"actor": actor, "now": now}
    cell = add_cell(
        session,
        name=name,
        machine="two-spindle lathe",
        part="bearing sleeve",
        operation="op 20",
        planned_cycle_seconds=45.0,
        counter_modulus=COUNTER_MODULUS,
        **by,
    )
    arm, jet, tray = (add_device(session, cell, device, **by) for device in ("arm", "jet", "tray"))
    modes = [
        add_mode(session, arm, "dropped part", Effect.STOPS, **by),
        add_mode(session, arm, "slow return", Effect.NUISANCE, **by),
        add_mode(session, jet, "chips left", Effect.DAMAGE, **by),
        add_mode(session, tray, "ejection miss", Effect.STOPS, **by),
    ]
    return CellUnderTest(cell, arm, jet, tray, *modes)


def new_id(prefix="entry"):
    """Return a client id that no other entry of this test run has."""
    return f"{prefix}-{next(_numbers)}"


def opening(shift, **fields):
    return _entry(EntryKind.SHIFT_OPENED, shift=shift, **{"stage": Stage.BY_HAND} | fields)


def good(shift, cycles=1, **fields):
    return _entry(EntryKind.GOOD, shift=shift, cycles=cycles, **fields)


def failed(shift, *modes, **fields):
    mode_ids = tuple(mode.id for mode in modes)
    return _entry(EntryKind.FAILED, shift=shift, cycles=1, mode_ids=mode_ids, **fields)


def note(shift, text="coolant topped up", **fields):
    return _entry(EntryKind.NOTE, shift=shift, text=text, **fields)


def stop(shift, seconds=90, **fields):
    return _entry(EntryKind.STOP, shift=shift, clear_seconds=seconds, **fields)


def condition(shift, which, **fields):
    return _entry(EntryKind.CONDITION, shift=shift, condition=which, **fields)


def reading(shift, which, counter, **fields):
    return _entry(EntryKind.READING, shift=shift, reading=which, counter=counter, **fields)


def closing(shift, counter=None, **fields):
    return _entry(EntryKind.SHIFT_CLOSED, shift=shift, counter=counter, **fields)


def count(counter=None, **fields):
    """Return what the machine itself said."""
    return _entry(EntryKind.COUNT, counter=counter, **fields)


def photo(target, **fields):
    return _entry(EntryKind.PHOTO, target=target, **{"photo": "ab" * 32} | fields)


def undo(target, **fields):
    return _entry(EntryKind.UNDO, target=target, **fields)


def ruling(target, relevant, mode=None, **fields):
    mode_id = None if mode is None else mode.id
    reason = {
        "reason": "seen on the camera",
        "cause": None if relevant else RulingCause.HANDLING,
    }
    return _entry(
        EntryKind.RULING,
        target=target,
        relevant=relevant,
        failure_mode_id=mode_id,
        **reason | fields,
    )


def revision(device, text="stronger spring", *, resets=True, **fields):
    reason = {"reason": "" if resets else "does not touch the chore"}
    return _entry(
        EntryKind.REVISION,
        device_id=device.id,
        text=text,
        resets_evidence=resets,
        **reason | fields,
    )


def _entry(kind, **fields):
    fields.setdefault("client_id", new_id(kind.value))
    return NewEntry(kind=kind, **fields)


def write(session, cell, *entries, actor=None, now, **options):
    """Write entries in one unit of work, as a view or a command does."""
    with unit_of_work(session):
        return write_entries(
            session, getattr(cell, "cell", cell), entries, actor=actor, now=now, **options
        )


def log_shift(
    session, cell, label, *, now, good=0, failed=(), counters=None, closed=True, actor=None,
    stage=Stage.BY_HAND,
):  # fmt: skip
    """Log a whole shift that ends at `now`, and return its entries.

    `failed` holds failure modes, a cycle each (several modes on one cycle: a tuple);
    `counters` the opening and the closing reading.
    """
    modes = [mode if isinstance(mode, tuple) else (mode,) for mode in failed]
    first, last = counters or (None, None)
    person = {"person_id": None if actor is None else actor.id}
    build = [(opening, (label,), {"counter": first, "stage": stage})]
    build += [(_failed, (label, *names), {}) for names in modes]
    build += [(_good, (label, good), {})] if good else []
    build += [(closing, (label,), {"counter": last})] if closed else []
    entries = [
        make(*arguments, **fields, **person, occurred_at=now - timedelta(seconds=len(build) - at))
        for at, (make, arguments, fields) in enumerate(build)
    ]
    write(session, cell, *entries, actor=actor, now=now)
    return entries


_good, _failed = good, failed  # log_shift has arguments of these names


@pytest.fixture
def cell(session, now):
    """Return a committed cell with three devices and four failure modes."""
    made = _furnished_cell(session) or make_cell(session, now)  # a test's own database is empty
    session.commit()
    return made


def _furnished_cell(session):
    """Return what `make_cell` wrote into the template that the database was copied from."""
    rows = [
        session.scalars(select(table).order_by(table.id)).all()
        for table in (Cell, Device, FailureMode)
    ]
    return CellUnderTest(*itertools.chain(*rows)) if rows[0] else None
