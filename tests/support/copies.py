"""Records to copy, and what a copy must have in common with them."""

from __future__ import annotations

import shutil
import subprocess
import sys
from datetime import timedelta

import pytest
from support.cells import (
    failed,
    good,
    log_shift,
    make_cell,
    note,
    opening,
    revision,
    ruling,
    undo,
    write,
)
from support.databases import KIND_OF_TEMPLATE
from support.hall import Hall

from trialog.records.base import Base
from trialog.records.copying.tables import copied_tables
from trialog.records.database import make_engine, unit_of_work
from trialog.records.files import store_file
from trialog.records.models import Notice
from trialog.records.seals import read_rows
from trialog.records.words import NoticeChannel, NoticeKind


@pytest.fixture
def filled(engine, session, people, now):
    """Return an engine on records with lines that point at others, files, and what is due."""
    cell = make_cell(session, now, actor=people.admin)
    session.commit()
    drop, slip = failed("A", cell.dropped, cell.chips), failed("A", cell.missed)
    write(session, cell, opening("A", counter=5), good("A", 4), drop, slip, note("A", "ü ☃"),
          now=now)  # fmt: skip
    write(session, cell, undo(slip.client_id), ruling(drop.client_id, relevant=False),
          revision(cell.arm), now=now)  # fmt: skip
    log_shift(session, cell, "B", now=now, good=7, failed=[cell.chips], counters=(11, 19))
    with unit_of_work(session):
        for number in range(5):
            store_file(session, f"{number}.pdf", b"%PDF-" * 5 + bytes([number]),
                       actor=people.engineer, now=now)  # fmt: skip
        session.add(Notice(kind=NoticeKind.TEST, channel=NoticeChannel.MAIL, payload={"a": "ü ☃"},
                           created_at=now, attachment=b"\x00\xff"))  # fmt: skip
    session.rollback()
    return engine


@pytest.fixture
def signed(filled, session, people, now):
    """Return an engine on records with signatures, refusals, parked lines and requirements too."""
    hall = Hall(session, people, now - timedelta(hours=1))
    hall.refused("Lathe 1")
    hall.parked("Lathe 3")
    session.rollback()
    return filled


def rows_of(engine):
    """Return all rows of all tables as plain values, in the order of their keys."""
    found = {}
    with engine.connect() as connection:
        for table in Base.metadata.sorted_tables:
            rows = read_rows(connection, table, [column.name for column in table.columns])
            key = [column.name for column in table.primary_key]
            found[table.name] = sorted(rows, key=lambda row: [str(row[name]) for name in key])
    return found


class Watcher:
    """Takes what a copy tells of its progress, and does something at one of its steps."""

    def __init__(self, at=None, act=None):
        self.total, self.done, self.steps = 0, 0, 0
        self._at, self._act = at, act

    def begin(self, total):
        self.total, self.done = total, 0

    def progress(self, done):
        self.done += done
        self.steps += 1
        if self._act is not None and self._at in (None, self.steps):
            self._act()

    @property
    def told(self):
        return {"begin": self.begin, "progress": self.progress}


STUCK = """
import itertools
import sys

steps = itertools.count(1)

def stuck(done):
    if next(steps) == int(sys.argv[3]):
        print("stuck", flush=True)
        sys.stdin.read()
"""


def kill_at_step(step, program, *places):
    """Kill a program between two steps of a copy, which it tells `stuck`; return its process."""
    command = [sys.executable, "-c", STUCK + program, *places, str(step)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout.readline() == "stuck\n"
        process.kill()
    return process


def log_more(sessions, now, name):
    """Write as others do meanwhile: a cell, a shift on it, and what is derived from both."""
    with sessions() as session:
        cell = make_cell(session, now, name)
        session.commit()
        write(session, cell, opening("A"), note("A", "meanwhile"), now=now)


def small_chunks(monkeypatch):
    """Let a copy of few rows have many steps."""
    monkeypatch.setattr("trialog.records.copying.tables.CHUNK", 3)
    monkeypatch.setattr("trialog.records.copying.tables.CHUNK_OF_FILES", 2)
    copied_tables.cache_clear()


@pytest.fixture
def other_database(other_kind, tmp_path, request):
    """Return an engine on a fresh, migrated, empty database, whatever kind the first one is."""
    template = request.getfixturevalue(f"{KIND_OF_TEMPLATE[other_kind]}_template")
    if other_kind == "sqlite":
        shutil.copyfile(template, tmp_path / "other.db")
        url = f"sqlite:///{tmp_path / 'other.db'}"
    else:
        url = request.getfixturevalue("postgres_server").create("other", template)
    engine = make_engine(url)
    yield engine
    engine.dispose()
    if other_kind == "postgresql":
        request.getfixturevalue("postgres_server").drop("other")
