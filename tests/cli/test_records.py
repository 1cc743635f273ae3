"""`database`, `people` and `verify` on both databases."""

from __future__ import annotations

import fcntl
import json
import os
import subprocess
import sys
import termios
from datetime import UTC, datetime

import pytest
from sqlalchemy import inspect, select, text, update

from trialog.records.database import make_engine
from trialog.records.models import AuditChain, CellRollup, Entry, Person
from trialog.records.pins import check_pin
from trialog.records.schema import newest_version


@pytest.fixture
def on_empty(empty_database, monkeypatch, run):
    monkeypatch.setenv("TRIALOG_DATABASE_URL", empty_database)
    return run


def test_upgrade_makes_the_schema_and_then_finds_it_up_to_date(on_empty, empty_database):
    assert f"from nothing to {newest_version()}" in on_empty("database", "upgrade").stdout
    engine = make_engine(empty_database)
    assert {"cell", "entry", "person"} <= set(inspect(engine).get_table_names())
    engine.dispose()
    again = on_empty("database", "upgrade", "--json")
    assert json.loads(again.stdout) == {"before": newest_version(), "after": newest_version()}
    assert "up to date" in on_empty("database", "upgrade").stdout


def test_a_schema_newer_than_this_trialog_is_not_touched(trialog, database):
    engine = make_engine(database)
    with engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    engine.dispose()
    result = trialog("database", "upgrade")
    assert result.exit_code == 2
    assert "9999" in result.stderr


def test_check_ends_with_1_where_there_is_no_schema(on_empty):
    result = on_empty("database", "check", "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["version"] is None
    assert "trialog database upgrade" in result.stderr


def test_check_names_what_differs(trialog, database):
    engine = make_engine(database)
    with engine.begin() as connection:
        connection.execute(text("DROP TABLE import_draft"))
    engine.dispose()
    result = trialog("database", "check")
    assert result.exit_code == 1
    assert "import_draft" in result.stderr


def test_check_is_content_with_a_fresh_database(trialog):
    result = trialog("database", "check")
    assert result.exit_code == 0
    assert newest_version() in result.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("verify",), ("verdict", "--trial", "Arm"), ("export", "--trial", "Arm", "-o", "-"),
        ("people", "add", "--name", "A", "--role", "admin", "--pin", "1846"),
        ("report", "shift", "1", "--json"), ("report", "trial", "Arm", "--json"), ("serve",),
    ],
)  # fmt: skip
def test_a_schema_that_is_behind_is_refused_with_the_command_that_helps(on_empty, words):
    result = on_empty(*words)
    assert result.exit_code == 2
    assert "run: trialog database upgrade" in result.stderr


def test_an_added_person_can_sign_in(trialog, session):
    words = ("people", "add", "--name", "Zoë", "--role", "approver", "--pin", "4711")
    added = json.loads(trialog(*words, "--json").stdout)
    now = datetime.now(UTC)
    person = check_pin(session, "Zoë", "4711", now=now)
    assert added == {"id": person.id, "name": "Zoë", "role": "approver"}
    again = trialog(*words)
    assert again.exit_code == 2
    assert "already a person 'Zoë'" in again.stderr


def test_a_pin_comes_from_the_environment_and_is_never_printed(trialog, session, monkeypatch):
    monkeypatch.setenv("TRIALOG_PIN", "unseen-9")
    result = trialog("people", "add", "--name", "Ida", "--role", "operator")
    assert result.output == "Added Ida (operator).\n"
    assert check_pin(session, "Ida", "unseen-9", now=datetime.now(UTC)) is not None


@pytest.mark.database("sqlite")
def test_a_pin_is_asked_for_on_a_terminal_twice_and_not_shown(session, database):
    shown = type_at_terminal(
        ["people", "add", "--name", "Ida", "--role", "operator", "--database", database],
        [("PIN: ", "unseen-9"), ("confirmation: ", "unseen-9")],
    )
    assert "Added Ida (operator)." in shown
    assert "unseen" not in shown
    assert check_pin(session, "Ida", "unseen-9", now=datetime.now(UTC)) is not None


def type_at_terminal(words, answers):
    """Run a command at a terminal of its own, answer its questions, and return all it showed."""
    ours, theirs = os.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "trialog.cli", *words], stdin=theirs, stdout=theirs, stderr=theirs,
        start_new_session=True, preexec_fn=lambda: fcntl.ioctl(theirs, termios.TIOCSCTTY, 0),  # noqa: PLW1509 - no threads here
    ) as process:  # fmt: skip
        os.close(theirs)
        shown = ""
        for question, answer in answers:
            while question not in shown.rpartition("\n")[2]:
                shown += os.read(ours, 1024).decode()
            os.write(ours, f"{answer}\n".encode())
        process.wait(timeout=60)
    shown += os.read(ours, 4096).decode()
    os.close(ours)
    return shown


def test_without_a_terminal_a_missing_pin_is_refused(trialog, session):
    result = trialog("people", "add", "--name", "Ida", "--role", "operator")
    assert result.exit_code == 2
    assert "PIN must be given with --pin or in TRIALOG_PIN" in result.stderr
    assert session.query(Person).count() == 0


def test_a_short_pin_is_refused_without_showing_it(trialog):
    result = trialog("people", "add", "--name", "Ida", "--role", "operator", "--pin", "123")
    assert result.exit_code == 2
    assert "PIN must have 4 to 64 characters" in result.stderr
    assert "123" not in result.output


def test_verify_is_content_with_untouched_records(trialog, shop, session):
    result = trialog("verify")
    assert result.exit_code == 0
    said, end = result.stdout.splitlines()
    assert said == "The records are what the logbook says (8 lines, 1 cell)."
    events, head = session.execute(select(AuditChain.length, AuditChain.head)).one()
    assert end == f"The audit's chain ends at event {events} with the hash {head}."


def test_verify_finds_a_line_changed_behind_its_back(trialog, shop, session):
    session.execute(update(Entry).where(Entry.sequence == 2).values(text="nothing happened"))
    session.commit()
    result = trialog("verify")
    assert result.exit_code == 1
    assert "line 2" in result.stderr
    assert "was changed after it was written" in result.stderr


def test_verify_finds_a_rollup_that_does_not_follow(trialog, shop, session):
    session.execute(update(CellRollup).values(failures=0))
    session.commit()
    result = trialog("verify", "--json")
    assert result.exit_code == 1
    differences = json.loads(result.stdout)["differences"]
    assert any("cell_rollup" in item["where"] for item in differences)
