"""An old logbook of `--rows` lines is brought up to date while somebody logs: nobody waits long."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time

import pytest
from sqlalchemy import text
from support.old_logbook import ROOM, Writer, make_old_logbook

from trialog.records import schema
from trialog.records.database import make_engine

pytestmark = pytest.mark.database("postgresql")
BAR, BEFORE = 1.0, 5.0
UPGRADE = [sys.executable, "-m", "trialog.cli", "database", "upgrade"]


def spell(times):
    return f"{1e3 * max(times):,.0f} ms"


def prove_migration_without_a_lock(request, table, disk_database, tmp_path):
    """The longest that a line had to wait while all migrations since 0005 ran."""
    rows, free = request.config.getoption("rows"), shutil.disk_usage(tmp_path).free
    assert free > rows * ROOM, f"{rows} lines need {rows * ROOM:,} bytes in {tmp_path}"
    engine = make_engine(disk_database)
    begun = time.monotonic()
    make_old_logbook(engine, rows)
    filled = time.monotonic() - begun
    with engine.connect() as connection:
        size = connection.scalar(text("SELECT pg_database_size(current_database())"))
    environment = os.environ | {"TRIALOG_DATABASE_URL": disk_database}
    with Writer(disk_database) as writer:
        time.sleep(BEFORE)
        alone, begun = len(writer.times), time.monotonic()
        done = subprocess.run(UPGRADE, env=environment, capture_output=True, text=True, check=False)
        took = time.monotonic() - begun
    assert done.returncode == 0, done.stderr
    assert writer.failure is None, writer.failure
    longest = max(writer.times[alone:])
    table(f"{rows:,} lines: made in", f"{filled:,.0f} s")
    table(f"{rows:,} lines: on the disk", f"{size / 2**30:,.1f} GB")
    table(f"{rows:,} lines: longest wait of a line before", spell(writer.times[:alone]))
    table(f"{rows:,} lines: upgrade took", f"{took:,.0f} s")
    table(f"{rows:,} lines: lines written meanwhile", f"{len(writer.times) - alone:,}")
    table(
        f"{rows:,} lines: longest wait of a line meanwhile", spell(writer.times[alone:]),
        bar=f"{1e3 * BAR:,.0f} ms", holds=longest <= BAR,
    )  # fmt: skip
    assert schema.differences(engine) == []
    with engine.connect() as connection:
        asked = "SELECT count(*) FROM entry WHERE client_id LIKE 'filled-%'"
        assert connection.scalar(text(asked)) == rows
        asked = "SELECT count(DISTINCT client_id) FROM entry WHERE client_id LIKE 'written-%'"
        assert connection.scalar(text(asked)) == len(writer.times)
    engine.dispose()
