"""Short ways to write into the logbook of the test's cell and to look at what is there."""

from __future__ import annotations

import itertools

import pytest
from sqlalchemy import func, select
from support.cells import opening, write
from support.intake import Tablet

from trialog.records.database import unit_of_work
from trialog.records.logbook import RejectedEntriesError
from trialog.records.models import AuditEvent, Cell, CellRollup, DeviceRollup, Entry, Shift
from trialog.records.tablets import enrol, make_code
from trialog.records.verify import verify
from trialog.records.words import EntryKind


class Logbook:
    """The logbook of one cell: write into it, look at it."""

    def __init__(self, session, cell, now):
        self.session, self.cell, self.now = session, cell, now

    def write(self, *entries, **options):
        """Write entries in one unit of work; the clock stands still unless told."""
        options.setdefault("now", self.now)
        return write(self.session, self.cell, *entries, **options)

    def refuse(self, *entries, **options):
        """Write entries that must be refused; return the first error. Nothing may be left."""
        before = self.count(Entry), self.count(Shift), self.count(AuditEvent), self.head()
        with pytest.raises(RejectedEntriesError) as caught:
            self.write(*entries, **options)
        assert before == (
            self.count(Entry), self.count(Shift), self.count(AuditEvent), self.head(),
        )  # fmt: skip
        return caught.value.rejected[0].error

    def refuse_because(self, message, *entries, **options):
        """Write entries that must be refused with a message that holds these words."""
        error = self.refuse(*entries, **options)
        assert message in str(error)

    def head(self):
        return self.session.execute(
            select(Cell.chain_length, Cell.chain_head).where(Cell.id == self.cell.id)
        ).one()

    def count(self, table):
        return self.session.scalar(select(func.count()).select_from(table))

    def entries(self):
        self.session.rollback()  # see what others have committed
        statement = select(Entry).where(Entry.cell_id == self.cell.id).order_by(Entry.sequence)
        return self.session.scalars(statement).all()

    def entry(self, client_id):
        return self.session.scalars(select(Entry).where(Entry.client_id == client_id)).one()

    def shift(self, label):
        statement = select(Shift).where(Shift.cell_id == self.cell.id, Shift.label == label)
        return self.session.scalars(statement).one()

    def totals(self):
        """Return logged, counted cycles, failures and no-tests of the cell as a whole."""
        self.session.rollback()  # see what others have committed
        columns = (CellRollup.logged, CellRollup.cycles, CellRollup.failures, CellRollup.no_tests)
        sums = [func.coalesce(func.sum(column), 0) for column in columns]
        return tuple(self.session.execute(select(*sums)).one())

    def device_totals(self, device):
        """Return counted cycles, failures and no-tests of one device."""
        self.session.rollback()  # see what others have committed
        columns = (DeviceRollup.cycles, DeviceRollup.failures, DeviceRollup.no_tests)
        sums = [func.coalesce(func.sum(column), 0) for column in columns]
        found = select(*sums).where(DeviceRollup.device_id == device.id)
        return tuple(self.session.execute(found).one())

    def audit(self):
        return self.session.scalars(select(AuditEvent).order_by(AuditEvent.id)).all()

    def verify(self):
        self.session.rollback()
        return verify(self.session)


@pytest.fixture
def logbook(session, cell, now):
    return Logbook(session, cell, now)


@pytest.fixture
def running(logbook):
    """Return the logbook with shift "A" open at counter reading 100."""
    logbook.write(opening("A", counter=100))
    return logbook


@pytest.fixture
def tablets(session, cell, people, now):
    """Return a function that enrols one more tablet."""
    numbers = itertools.count(1)

    def make(person=None):
        with unit_of_work(session):
            name = f"tablet {next(numbers)}"
            code = make_code(session, name=name, cell=None, actor=people.engineer, now=now)
            row, _key = enrol(session, code, now=now)
        return Tablet(session, cell, row, person or people.operator, now)

    return make


@pytest.fixture
def tablet(tablets):
    return tablets()


@pytest.fixture
def shown(session):
    """Return a function that gives one fact of the counted cycles, in the logbook's order."""

    def facts(name, *kinds):
        session.rollback()
        kinds = kinds or (EntryKind.GOOD, EntryKind.FAILED)
        statement = select(getattr(Entry, name)).where(Entry.kind.in_(kinds))
        return list(session.scalars(statement.order_by(Entry.sequence)))

    return facts
