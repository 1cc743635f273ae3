"""Every schema change on both databases: from nothing, back and forth with rows in place."""

from __future__ import annotations

import itertools
import re
import shutil
import subprocess
import sys

import pytest
from alembic.script import ScriptDirectory
from sqlalchemy import MetaData, Table, func, inspect, select, text
from sqlalchemy.exc import IntegrityError
from support.cells import (
    condition,
    failed,
    good,
    log_shift,
    make_cell,
    note,
    opening,
    revision,
    ruling,
    stop,
    undo,
    write,
)
from support.migrating import migrate

from trialog.errors import SchemaBehindError
from trialog.records import schema
from trialog.records.base import Base
from trialog.records.database import make_engine, make_sessions
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Entry, Requirement, Trial
from trialog.records.verify import verify
from trialog.records.words import Condition, EntryKind

PARTITION = re.compile(r"entry_(p\d+|default)")
SEALING = "0004"
"""The version that brought the seals."""


@pytest.fixture
def bare(empty_database):
    """Return an engine on a database without any table."""
    engine = make_engine(empty_database)
    yield engine
    engine.dispose()


def versions():
    """Return all schema versions, oldest first."""
    scripts = ScriptDirectory(str(schema.packaged("migrations")))
    return [script.revision for script in scripts.walk_revisions()][::-1]


def tables(bind):
    """Return the names of the tables, without the parts that one of them is divided into."""
    return {name for name in inspect(bind).get_table_names() if not PARTITION.fullmatch(name)}


def described(engine):
    """Return what the database itself says of its tables and their columns and indexes."""
    with engine.connect() as connection:
        asked = inspect(connection)
        return {
            name: (
                {column["name"]: str(column["type"]) for column in asked.get_columns(name)},
                sorted(str(index["name"]) for index in asked.get_indexes(name)),
            )
            for name in tables(connection)
        }


def rows(engine):
    """Return how many rows each table holds."""
    with engine.connect() as connection:
        return {
            name: connection.execute(
                select(func.count()).select_from(Table(name, MetaData()))
            ).scalar_one()
            for name in tables(connection)
            if name != "alembic_version"
        }


@pytest.fixture
def populated(engine, session, people, now):
    """Return an engine on a database with rows that point at each other."""
    cell = make_cell(session, now, actor=people.admin)
    session.commit()
    drop, slip = failed("A", cell.dropped, cell.chips), failed("A", cell.missed)
    write(
        session, cell,
        opening("A", counter=5), good("A", 40), drop, slip, note("A"), stop("A"),
        condition("A", Condition.COLD_START), now=now,
    )  # fmt: skip
    # A ruling without a cause, as all were before they had any.
    old = ruling(drop.client_id, relevant=False, cause=None, cause_unwritten=True)
    write(session, cell, undo(slip.client_id), old, now=now)
    write(session, cell, revision(cell.arm), now=now)
    session.rollback()
    return engine


def test_an_upgrade_from_nothing_makes_what_the_models_say(bare):
    schema.upgrade(bare)
    assert schema.differences(bare) == []
    assert tables(bare) == {*Base.metadata.tables, "alembic_version"}


def test_a_fresh_database_takes_a_shift(bare, now):
    schema.upgrade(bare)
    with make_sessions(bare)() as session:
        cell = make_cell(session, now)
        session.commit()
        log_shift(session, cell, "A", good=10, failed=[cell.dropped], counters=(0, 11), now=now)
        assert verify(session) == []


def test_a_second_upgrade_changes_nothing(populated):
    before = rows(populated)
    schema.upgrade(populated)
    assert rows(populated) == before
    assert schema.current_version(populated) == schema.newest_version()


def test_there_is_one_newest_version():
    assert versions()[-1] == schema.newest_version()


def test_each_version_can_be_left_and_reached_again(bare):
    for before, version in itertools.pairwise([None, *versions()]):
        migrate(bare, "upgrade", version)
        reached = described(bare)
        migrate(bare, "downgrade", "-1")
        assert schema.current_version(bare) == before
        migrate(bare, "upgrade", version)
        assert described(bare) == reached, version
    assert schema.differences(bare) == []


def test_going_back_to_nothing_leaves_nothing(populated):
    migrate(populated, "downgrade", "base")
    assert set(inspect(populated).get_table_names()) <= {"alembic_version"}


@pytest.mark.parametrize("version", versions()[:-1] or ["head"])
def test_rows_stay_through_each_later_change_and_back(populated, sessions, version):
    before = rows(populated)
    migrate(populated, "downgrade" if version != "head" else "upgrade", version)
    migrate(populated, "upgrade", "head")
    # The upgrade that brought the seals says in an event of its own that it sealed the rows.
    sealed = 1 if version < SEALING else 0
    assert rows(populated) == before | {"audit_event": before["audit_event"] + sealed}
    with sessions() as session:
        assert verify(session) == []


CHANGE = """
from alembic import op
import sqlalchemy as sa

revision, down_revision = "9999", "{newest}"
branch_labels = depends_on = None


def upgrade():
    with op.batch_alter_table("{table}") as table:
        table.add_column(sa.Column("extra", sa.Integer(), nullable=True))
        table.alter_column("{column}", existing_type=sa.{kind}, nullable={nullable})
{more}

def downgrade():
    with op.batch_alter_table("{table}") as table:
        table.drop_column("extra")
"""


def add_migration(monkeypatch, tmp_path, **parts):
    """Put a migration after the newest one, in a copy of the migrations."""
    folder = tmp_path / "migrations"
    shutil.copytree(schema.packaged("migrations"), folder)
    parts = {"newest": schema.newest_version(), "more": "", **parts}
    (folder / "versions" / "9999_change.py").write_text(CHANGE.format(**parts))
    monkeypatch.setattr(schema, "packaged", lambda _name: folder)


@pytest.mark.parametrize(
    "changed",
    [
        {"table": "cell", "column": "machine", "kind": "String(120)"},
        {"table": "shift", "column": "label", "kind": "String(120)"},
        {"table": "entry", "column": "text", "kind": "String(2000)"},
        {"table": "person", "column": "name", "kind": "String(120)"},
    ],
    ids=lambda changed: changed["table"],
)
def test_a_change_to_a_table_others_point_at_keeps_every_row(
    populated, sessions, monkeypatch, tmp_path, changed
):
    """SQLite makes the table anew and drops the old one: with foreign keys on, rows go with it."""
    before = rows(populated)
    add_migration(monkeypatch, tmp_path, **changed, nullable=False)
    migrate(populated, "upgrade", "head")
    assert rows(populated) == before
    assert "extra" in {found["name"] for found in inspect(populated).get_columns(changed["table"])}
    migrate(populated, "downgrade", "-1")
    assert rows(populated) == before
    with sessions() as session:
        assert verify(session) == []


def test_a_migration_that_fails_half_way_leaves_the_schema_as_it_was(
    populated, monkeypatch, tmp_path
):
    before, version = rows(populated), schema.current_version(populated)
    add_migration(
        monkeypatch, tmp_path, table="cell", column="machine", kind="String(120)", nullable=False,
        more="    raise RuntimeError('half way')\n",
    )  # fmt: skip
    with pytest.raises(RuntimeError, match="half way"):
        migrate(populated, "upgrade", "head")
    assert rows(populated) == before
    assert schema.current_version(populated) == version
    assert "extra" not in {found["name"] for found in inspect(populated).get_columns("cell")}


@pytest.mark.database("sqlite")
def test_a_migration_that_leaves_rows_pointing_nowhere_is_taken_back(
    populated, monkeypatch, tmp_path
):
    before = rows(populated)
    add_migration(
        monkeypatch, tmp_path, table="cell", column="machine", kind="String(120)", nullable=False,
        more="    op.execute('DELETE FROM shift')\n",
    )  # fmt: skip
    with pytest.raises(RuntimeError, match="left rows that point nowhere"):
        migrate(populated, "upgrade", "head")
    assert rows(populated) == before


def test_a_schema_that_is_behind_is_refused_with_the_command_that_mends_it(
    populated, monkeypatch, tmp_path
):
    schema.require_current(populated)
    add_migration(
        monkeypatch, tmp_path, table="cell", column="machine", kind="String(120)", nullable=False
    )
    with pytest.raises(SchemaBehindError, match="run: trialog database upgrade"):
        schema.require_current(populated)
    assert schema.differences(populated) != []


def test_a_database_without_tables_is_refused_the_same_way(bare):
    with pytest.raises(SchemaBehindError, match=r"is at nothing, .* run: trialog database upgrade"):
        schema.require_current(bare)
    assert schema.differences(bare)[0].startswith("schema version is nothing")


def test_a_schema_newer_than_this_version_is_refused(populated):
    with populated.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '8888'"))
    with pytest.raises(SchemaBehindError, match="is at 8888"):
        schema.require_current(populated)
    with pytest.raises(SchemaBehindError, match=r"is at 8888, .* made by a newer one"):
        schema.upgrade(populated)


def test_a_column_that_no_migration_made_is_a_difference(populated):
    with populated.begin() as connection:
        connection.execute(text("ALTER TABLE cell ADD COLUMN stray INTEGER"))
    assert any("stray" in line for line in schema.differences(populated))


UPGRADE = (
    "import sys; from trialog.records import database, schema; "
    "schema.upgrade(database.make_engine(sys.argv[1]))"
)


def test_two_upgrades_at_once_make_one_schema(empty_database):
    """Two servers of one database, started together after an update."""
    command = [sys.executable, "-c", UPGRADE, empty_database]
    programs = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(3)]
    complaints = [program.communicate(timeout=60)[1] for program in programs]
    assert [program.returncode for program in programs] == [0, 0, 0], complaints
    engine = make_engine(empty_database)
    assert schema.differences(engine) == []
    engine.dispose()


def add_trial_row(session, cell, now, **numbers):
    """Add a trial without the services, which would never write these numbers."""
    requirement = Requirement(
        cell_id=cell.id, name="r", stretch_hours=1, cycle_seconds=30, chance=0.9,
        confidence=0.9, design_rate=1e-4, created_at=now,
    )  # fmt: skip
    session.add(requirement)
    session.flush()
    plan = {"plan_kind": "zero-failure", "plan_cycles": 9, "plan_allowed": 0} | numbers
    trial = Trial(
        name="t", cell_id=cell.id, requirement_id=requirement.id, stage="by hand", share=1.0,
        created_at=now, **plan,
    )  # fmt: skip
    session.add(trial)
    session.commit()


LINES = {
    "plan_go_start": 5.0,
    "plan_no_go_start": 2.0,
    "plan_cycles_per_failure": 3.0,
    "good_pass": 0.9,
}


@pytest.mark.parametrize(
    "numbers",
    [
        {"plan_kind": "sequential"},
        {"plan_kind": "sequential", **LINES, "plan_no_go_start": None},
        {"plan_kind": "sequential", **LINES, "good_pass": None},
        {"plan_kind": "fixed-size", **LINES},
        {"plan_kind": "zero-failure", "plan_go_start": 5.0},
    ],
)
def test_a_trial_has_lines_exactly_if_its_plan_is_sequential(
    populated, session, people, now, numbers
):
    cell = make_cell(session, now, name="another", actor=people.admin)
    with pytest.raises(IntegrityError, match="plan_lines"):
        add_trial_row(session, cell, now, **numbers)


def test_a_sequential_trial_is_not_lost_by_going_back(populated, session, people, now):
    cell = make_cell(session, now, name="another", actor=people.admin)
    add_trial_row(session, cell, now, plan_kind="sequential", **LINES)
    before = rows(populated)
    with pytest.raises(IntegrityError, match="plan_kind"):
        migrate(populated, "downgrade", "0001")
    assert rows(populated) == before
    assert schema.current_version(populated) == schema.newest_version()


def test_older_trials_keep_their_plans(populated, session, people, now):
    cell = make_cell(session, now, name="another", actor=people.admin)
    add_trial_row(session, cell, now, plan_kind="fixed-size", plan_cycles=70, plan_allowed=2)
    migrate(populated, "downgrade", "0001")
    migrate(populated, "upgrade", "head")
    trial = session.scalars(select(Trial)).one()
    assert (trial.plan_kind, trial.plan_cycles, trial.plan_allowed) == ("fixed-size", 70, 2)
    assert trial.plan_go_start is None


def test_a_tablets_lines_stay_through_the_change(populated, session, people, now):
    """A tablet's part of a line is new: older lines have none, and keep their hashes."""
    migrate(populated, "downgrade", "0002")
    migrate(populated, "upgrade", "head")
    assert verify(session) == []
    assert set(session.scalars(select(Entry.tablet_id))) == {None}


def test_a_spot_check_is_not_lost_by_going_back(populated, session, now):
    cell = session.scalars(select(Cell)).first()
    check = NewEntry(client_id="check-1", kind=EntryKind.CHECK, shift="A", cycles=3)
    write(session, cell, check, now=now)
    session.rollback()
    before = rows(populated)
    with pytest.raises(IntegrityError, match="kind"):
        migrate(populated, "downgrade", "0002")
    assert rows(populated) == before
    assert schema.current_version(populated) == schema.newest_version()
