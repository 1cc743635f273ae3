"""A file of many lines, against the database's own bulk path for the same rows in the same run."""

from __future__ import annotations

import resource
import time
from datetime import UTC, datetime, timedelta

import pytest
from support.cells import make_cell
from support.people import NAMES
from support.raw_rows import RawTable, rows_of

from trialog.feeds.importing import import_csv
from trialog.records.database import unit_of_work
from trialog.records.models import Cell
from trialog.records.people import add_person
from trialog.records.verify import verify
from trialog.records.words import Role

BEGIN = datetime(2025, 1, 1, 6, 0, tzinfo=UTC)
A_SHIFT, BAR = 800, 0.5


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


def memory():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@pytest.mark.parametrize("a_line", [1, 50])
def prove_import(a_line, request, table, disk_sessions, fresh_disk_databases):
    """All lines of a file arrive; the time for it by that of raw rows; memory."""
    lines, now = request.config.getoption("lines"), datetime.now(UTC)
    with disk_sessions() as session, unit_of_work(session):
        cell_id = make_cell(session, now).id
        add_person(session, NAMES[Role.OPERATOR], Role.OPERATOR, "1846", actor=None, now=now)
    content, before = file_of(lines, a_line), memory()
    begun = time.perf_counter()
    with disk_sessions() as session, unit_of_work(session):
        cell = session.get_one(Cell, cell_id)
        result = import_csv(session, cell, content, actor=None, now=now)
    took = time.perf_counter() - begun
    grown = memory() - before
    with disk_sessions() as session:
        url = session.get_bind().url.render_as_string(hide_password=False)
    rows, raw = rows_of(url), RawTable(fresh_disk_databases(), like=url)
    beside = raw.in_bulk(rows)
    raw.close()
    name = f"{lines} lines of {a_line} cycles"
    table(f"{name}: lines a second", f"{len(rows) / took:,.0f}")
    table(f"{name}: rows a second in bulk", f"{len(rows) / beside:,.0f}")
    speed = beside / took
    table(f"{name}: speed by bulk", f"{speed:.2f}", bar=f"{BAR:.2f}", holds=speed >= BAR)
    table(f"{name}: memory more than before", f"{grown:,.0f} MB")
    assert (result.added, result.rejected) == (len(rows), ())
    with disk_sessions() as session:
        assert verify(session) == []
