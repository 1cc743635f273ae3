"""A backup of a large PostgreSQL, put back into an empty one: lines a second, and memory."""

from __future__ import annotations

import json
import os
import sys
import time
from contextlib import suppress
from datetime import UTC, datetime

import psutil
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


def trialog(url, said, *words):
    """Run a command that speaks into a file; return how long it took and its memory in MB."""
    begun, memory = time.monotonic(), 0
    with said.open("w") as file:
        process = psutil.Popen(
            [sys.executable, "-m", "trialog.cli", *map(str, words)],
            env=os.environ | {"TRIALOG_DATABASE_URL": url}, stdout=file,
        )  # fmt: skip
        while process.poll() is None:
            with suppress(psutil.Error):  # it has just ended
                memory = max(memory, process.memory_info().rss)
            time.sleep(0.02)
    assert process.returncode == 0, said.read_text()
    return time.monotonic() - begun, memory / 2**20


@pytest.mark.database("postgresql")
def prove_backup(table, filled, fresh_disk_databases, tmp_path):
    """All lines are in a backup, and in the database that it is put back into."""
    file, said, again = tmp_path / "backup.zip", tmp_path / "said", fresh_disk_databases()
    for what, url, *words in (
        ("backup", filled, "backup", file),
        ("restore, verified", again, "restore", file),
        ("verify", again, "verify"),
    ):
        took, memory = trialog(url, said, *words, "--json")
        if what == "backup":
            lines = json.loads(said.read_text())["lines"]
        table(f"{what} of {lines:,} lines: lines a second", f"{lines / took:,.0f}")
        table(f"{what} of {lines:,} lines: memory", f"{memory:,.0f} MB")
    size = file.stat().st_size
    table(f"backup of {lines:,} lines: bytes of the file for a line", f"{size / lines:,.0f}")
