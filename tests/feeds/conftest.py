"""A cell that files are imported into, with people who may stand in them."""

from __future__ import annotations

import itertools

import pytest
from sqlalchemy import select
from support.cells import make_cell
from support.people import NAMES

from trialog.feeds import export_csv, import_csv, preview
from trialog.records.database import make_engine, make_sessions, unit_of_work
from trialog.records.models import CellRollup, Entry, Person, Shift
from trialog.records.words import Role


class Intake:
    """Imports into one cell in units of work, as the commands and pages do."""

    def __init__(self, session, cell, now):
        self.session = session
        self.cell = cell
        self.now = now
        self._cells = itertools.count(100)

    def imports(self, content, *, good_lines_only=False):
        return self._run(import_csv, content, good_lines_only)

    def previews(self, content, *, good_lines_only=False):
        return self._run(preview, content, good_lines_only)

    def _run(self, run, content, good_lines_only):
        content = content.encode() if isinstance(content, str) else content
        with unit_of_work(self.session):
            return run(
                self.session, self.cell, content,
                actor=None, now=self.now, good_lines_only=good_lines_only,
            )  # fmt: skip

    def start_anew(self):
        """Go on with a new cell, set up like the first."""
        self.cell = make_cell(self.session, self.now, f"Lathe {next(self._cells)}").cell
        self.session.commit()

    def exports(self):
        return "".join(export_csv(self.session, self.cell))

    def entries(self, kind=None):
        """Return the logbook's lines, in order."""
        statement = select(Entry).where(Entry.cell_id == self.cell.id).order_by(Entry.sequence)
        entries = self.session.scalars(statement).all()
        return [entry for entry in entries if kind in (None, entry.kind.value)]

    def kinds(self):
        return [entry.kind.value for entry in self.entries()]

    def shift(self, label):
        return self.session.scalars(select(Shift).filter_by(label=label)).one()

    def modes(self):
        """Return the names of the failure modes of each failed cycle."""
        return [[mode.name for mode in entry.modes] for entry in self.entries("failed")]

    def totals(self):
        """Return logged cycles, counted cycles and failures of the cell."""
        rows = self.session.execute(
            select(CellRollup.logged, CellRollup.cycles, CellRollup.failures)
        ).all()
        return tuple(sum(column) for column in zip(*rows, strict=True)) or (0, 0, 0)


@pytest.fixture
def intake(session, cell, people, now):
    return Intake(session, cell.cell, now)


@pytest.fixture
def fresh(fresh_databases, now, pin_hashes):
    """Return an intake on another database of the same kind, with the same setup and people."""
    engine = make_engine(fresh_databases())
    with make_sessions(engine)() as session:
        session.add_all(
            Person(
                name=NAMES[role], role=role, pin_hash=pin_hashes[role], active=True,
                created_at=now,
            )
            for role in Role
        )  # fmt: skip
        made = make_cell(session, now)
        session.commit()
        yield Intake(session, made.cell, now)
    engine.dispose()


def reasons(result):
    """Return the rejected lines' numbers and reasons."""
    return {line.line: line.reason for line in result.rejected}


@pytest.fixture(name="reasons")
def reasons_fixture():
    return reasons
