"""A backup of a large PostgreSQL, put back into an empty one: lines a second, and memory."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest
from prove_import import file_of
from support.cells import make_cell
from support.people import NAMES

from trialog.feeds.importing import import_csv
from trialog.records.database import unit_of_work
from trialog.records.models import Cell
from trialog.records.people import add_person
from trialog.records.words import Role

EACH = 100_000
"""Lines of one imported file; each goes to a cell of its own."""


@pytest.fixture
def filled(request, disk_database, disk_sessions):
    """Return the URL of a database with so many lines, written by the app: they are verified."""
    now, lines = datetime.now(UTC), request.config.getoption("lines")
    with disk_sessions() as session:
        with unit_of_work(session):
            add_person(session, NAMES[Role.OPERATOR], Role.OPERATOR, "1846", actor=None, now=now)
        for number, begin in enumerate(range(0, lines, EACH)):
            with unit_of_work(session):
                cell_id = make_cell(session, now, f"cell {number}").id
            with unit_of_work(session):
                content = file_of(min(EACH, lines - begin), 1)
                import_csv(session, session.get_one(Cell, cell_id), content, actor=None, now=now)
            session.expunge_all()
    return disk_database


def trialog(url, *words):
    """Run a command on a database; return what it says, how long it took and its memory in MB."""
    begun = time.monotonic()
    with subprocess.Popen(
        [sys.executable, "-m", "trialog.cli", *map(str, words)], text=True,
        env=os.environ | {"TRIALOG_DATABASE_URL": url}, stdout=subprocess.PIPE,
    ) as process:  # fmt: skip
        said = process.stdout.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, said
    return said, time.monotonic() - begun, used.ru_maxrss / 1024


@pytest.mark.database("postgresql")
def prove_backup(table, filled, fresh_disk_databases, tmp_path):
    """All lines are in a backup, and in the database that it is put back into."""
    file, again = tmp_path / "backup.zip", fresh_disk_databases()
    for what, url, *words in (
        ("backup", filled, "backup", file),
        ("restore, verified", again, "restore", file),
        ("verify", again, "verify"),
    ):
        said, took, memory = trialog(url, *words, "--json")
        if what == "backup":
            lines = json.loads(said)["lines"]
        table(f"{what} of {lines:,} lines: lines a second", f"{lines / took:,.0f}")
        table(f"{what} of {lines:,} lines: memory", f"{memory:,.0f} MB")
    size = file.stat().st_size
    table(f"backup of {lines:,} lines: bytes of the file for a line", f"{size / lines:,.0f}")
