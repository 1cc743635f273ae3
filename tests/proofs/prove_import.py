"""A file of many lines, against the database's own bulk path for the same rows in the same run."""

from __future__ import annotations

import gc
import time
from datetime import UTC, datetime, timedelta
from threading import Event, Thread

import psutil
import pytest
from support.cells import make_cell
from support.people import NAMES
from support.raw_rows import RawTable, newest_rows

from trialog.feeds.importing import import_csv
from trialog.records.database import unit_of_work
from trialog.records.models import Cell
from trialog.records.people import add_person
from trialog.records.verify import verify
from trialog.records.words import Role

BEGIN = datetime(2025, 1, 1, 6, 0, tzinfo=UTC)
A_SHIFT, BAR, GROWTH = 800, 0.5, 1.1


def file_of(lines, a_line):
    """Return a cycle log of so many lines, each of so many cycles; one in a hundred failed."""
    rows = ["shift;time;outcome;modes;operator;cycles"]
    for line in range(lines):
        shift, place = divmod(line, A_SHIFT)
        at = (BEGIN + timedelta(days=shift, seconds=30 * place)).isoformat()
        good = f"good;;{NAMES[Role.OPERATOR]};{a_line}"
        failed = f"failed;dropped part;{NAMES[Role.OPERATOR]};1"
        rows.append(f"S{shift};{at};{good if place % 100 else failed}")
    return "\n".join(rows).encode()


class Peak(Thread):
    """The most memory that this process has while a block runs."""

    def __init__(self):
        super().__init__(daemon=True)
        self._done = Event()
        self.megabytes = 0.0

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *_):
        self._done.set()
        self.join()

    def run(self):
        process = psutil.Process()
        while not self._done.wait(0.02):
            self.megabytes = max(self.megabytes, process.memory_info().rss / 2**20)


def imported(sessions, name, content, now):
    """Import a file into a new cell; return the result, how long it took and the most memory."""
    with sessions() as session, unit_of_work(session):
        cell_id = make_cell(session, now, name).id
    gc.collect()
    begun = time.perf_counter()
    with Peak() as peak, sessions() as session, unit_of_work(session):
        cell = session.get_one(Cell, cell_id)
        result = import_csv(session, cell, content, actor=None, now=now)
    return result, time.perf_counter() - begun, peak.megabytes


@pytest.mark.parametrize("a_line", [1, 50])
def prove_import(a_line, request, table, disk_sessions, fresh_disk_databases):
    """All lines of a file arrive: time by that of raw rows, memory by that for a shorter file."""
    lines, now = request.config.getoption("lines"), datetime.now(UTC)
    turns = request.config.getoption("turns")
    with disk_sessions() as session, unit_of_work(session):
        add_person(session, NAMES[Role.OPERATOR], Role.OPERATOR, "1846", actor=None, now=now)
    short, content = file_of(lines // 10, a_line), file_of(lines, a_line)
    _, _, little = imported(disk_sessions, "short", short, now)
    with disk_sessions() as session:
        url = session.get_bind().url.render_as_string(hide_password=False)
    took = driver = path = memory = 0
    for turn in range(turns):
        result, seconds, megabytes = imported(disk_sessions, f"long {turn}", content, now)
        took += seconds
        memory = memory or megabytes  # of the first turn: the others come after rows were held here
        rows = newest_rows(url, result.added)
        assert (result.added, result.rejected) == (len(rows), ())
        driver += beside(RawTable.in_bulk, rows, fresh_disk_databases(), url)
        path += beside(RawTable.at_once, rows, fresh_disk_databases(), url)
    name, growth = f"lines of {a_line} cycles", memory / little
    table(f"{name}: in a file", f"{len(rows):,}")
    table(f"{name}: in all files", f"{turns * len(rows):,}")
    say(table, name, turns * len(rows), took=took, driver=driver, path=path)
    table(f"{name}: memory", f"{memory:,.0f} MB")
    bar = {"bar": f"{GROWTH:.2f}", "holds": growth <= GROWTH}
    table(f"{name}: by that for a tenth of the file", f"{growth:.2f}", **bar)
    with disk_sessions() as session:
        assert verify(session) == []


def beside(insert, rows, target, url):
    """Insert rows into another database by nothing but a bulk path; return how long it took."""
    raw = RawTable(target, like=url)
    took = insert(raw, rows)
    raw.close()
    return took


def say(table, name, rows, *, took, driver, path):
    """Put the speeds into the table."""
    table(f"{name}: imported a second", f"{rows / took:,.0f}")
    table(f"{name}: a second in bulk by the driver", f"{rows / driver:,.0f}")
    table(f"{name}: a second in trialog's bulk", f"{rows / path:,.0f}")
    speed = driver / took
    table(
        f"{name}: speed by the driver's bulk", f"{speed:.2f}", bar=f"{BAR:.2f}", holds=speed >= BAR
    )
    table(f"{name}: speed by trialog's bulk", f"{path / took:.2f}")
