"""A plant's logbook of millions of lines on PostgreSQL, in the schema of an older version.

The lines come by the database itself, in minutes; their hashes are made up. `Writer` then logs
while the schema is upgraded, and knows how long it had to wait.
"""

from __future__ import annotations

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime

from sqlalchemy import create_engine, select, text
from support.cells import failed, good, make_cell, opening, write
from support.migrating import migrate

from trialog.records.database import make_sessions
from trialog.records.models import Cell

BEFORE_ALL = "0005"
"""The version before the first migration that promises not to lock."""

CELLS, A_SHIFT = 20, 5_000
FAILED_EACH = 100
"""One line in so many is a failed cycle."""

CHUNK = 1_000_000
ROOM = 700
"""Bytes on the disk for a line with its indexes, and what is written of it before."""

QUICKLY = {
    "fsync": "off", "full_page_writes": "off", "autovacuum": "off", "max_wal_size": "'8GB'",
    "checkpoint_timeout": "'30min'", "maintenance_work_mem": "'1GB'",
}  # fmt: skip

FIRST = datetime(2020, 1, 1, 6, 0, tzinfo=UTC)


def make_old_logbook(engine, rows):
    """Fill a migrated, empty database with so many lines, in the schema of `BEFORE_ALL`."""
    _write_patterns(engine)
    migrate(engine, "downgrade", BEFORE_ALL)
    with _quickly(engine), _without_later_indexes(engine):
        _fill_shifts(engine, rows)
        with ThreadPoolExecutor(2) as beside:
            begins = range(0, rows, CHUNK)
            done = beside.map(lambda at: _fill(engine, at, min(at + CHUNK, rows)), begins)
            assert sum(done) == rows
        _run(engine, "SELECT setval('entry_id_seq', max(id)) FROM entry")
    with _alone(engine) as connection:
        connection.execute(text("VACUUM (ANALYZE)"))
        connection.execute(text("CHECKPOINT"))


def _write_patterns(engine):
    """Write a shift with a good and a failed cycle by the app itself: lines to copy."""
    with make_sessions(engine)() as session:
        for number in range(CELLS):
            cell = make_cell(session, FIRST, f"cell {number}")
            session.commit()
            write(session, cell, opening("0", counter=0), good("0"), failed("0", cell.dropped),
                  now=FIRST)  # fmt: skip
        assert len(session.scalars(select(Cell)).all()) == CELLS


@contextmanager
def _alone(engine):
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        yield connection


@contextmanager
def _quickly(engine):
    """Let the server spare what a power cut would need, until the lines are there."""
    with _alone(engine) as connection:
        for name, value in QUICKLY.items():
            connection.execute(text(f"ALTER SYSTEM SET {name} = {value}"))
        connection.execute(text("SELECT pg_reload_conf()"))
        yield
        connection.execute(text("ALTER SYSTEM RESET ALL"))
        connection.execute(text("SELECT pg_reload_conf()"))


@contextmanager
def _without_later_indexes(engine):
    """Make those indexes that no rule needs when all lines are there: that is quicker."""
    asked = (
        "SELECT indexrelid::regclass::text AS name, pg_get_indexdef(indexrelid) AS said "
        "FROM pg_index WHERE indrelid = 'entry'::regclass AND NOT indisunique"
    )
    with _alone(engine) as connection:
        found = connection.execute(text(asked)).all()
        for row in found:
            connection.execute(text(f"DROP INDEX {row.name}"))
        yield
        with ThreadPoolExecutor(2) as beside:
            list(beside.map(lambda row: _run(engine, row.said), found))


def _run(engine, statement, **values):
    """Run a statement, without the look at the rows that its rows name; return how many came."""
    with engine.begin() as connection:
        connection.execute(text("SET LOCAL session_replication_role = replica"))
        return connection.execute(text(statement), values).rowcount


COPIED = """
    INSERT INTO {table} ({names}, {changed}) SELECT {copied}, {values}
    FROM generate_series(CAST(:begin AS bigint), CAST(:end AS bigint) - 1) AS line
    JOIN {table} AS pattern ON {pattern}
"""


def _copied(engine, table, pattern, **changed):
    """Return the statement that copies a row again and again, with some columns changed."""
    with engine.connect() as connection:
        asked = "SELECT column_name FROM information_schema.columns WHERE table_name = :table"
        names = set(connection.scalars(text(asked), {"table": table})) - changed.keys()
    return COPIED.format(
        table=table, names=", ".join(sorted(names)), changed=", ".join(changed),
        copied=", ".join(f"pattern.{name}" for name in sorted(names)),
        values=", ".join(changed.values()), pattern=pattern,
    )  # fmt: skip


def _fill_shifts(engine, rows):
    statement = _copied(
        engine, "shift", f"pattern.id = line % {CELLS} + 1", id=f"{CELLS} + 1 + line",
        label="'S' || line", closed_at="pattern.opened_at", closing_counter=str(A_SHIFT),
    )  # fmt: skip
    _run(engine, statement, begin=0, end=-(-rows // A_SHIFT))
    _run(engine, "SELECT setval('shift_id_seq', max(id)) FROM shift")


def _fill(engine, begin, end):
    """Copy lines `begin` to `end`: shift after shift, each on another cell."""
    patterns = 3 * CELLS
    place, shift = f"line % {A_SHIFT}", f"line / {A_SHIFT}"
    opens, closes = f"{place} = 0", f"{place} = {A_SHIFT - 1}"
    fails = f"line % {FAILED_EACH} = {FAILED_EACH // 2}"
    after = f"CAST(line + 1 + {patterns} AS bigint)"
    # Each cell's patterns are its opening line, a good cycle and a failed one.
    like = f"pattern.id = 3 * ({shift} % {CELLS}) + CASE WHEN {fails} THEN 3 ELSE 2 END"
    counter = f"CASE WHEN {opens} THEN 0 WHEN {closes} THEN {A_SHIFT} END"
    kind = f"CASE WHEN {opens} THEN 'open' WHEN {closes} THEN 'close' ELSE pattern.kind END"
    lines = _copied(
        engine, "entry", like, id=after, client_id="'filled-' || lpad(line::text, 12, '0')",
        sequence=f"4 + {shift} / {CELLS} * {A_SHIFT} + {place}",
        shift_id=f"{CELLS} + 1 + {shift}", kind=kind, counter=counter,
        hash="repeat(md5(line::text), 2)", previous_hash="repeat(md5((line - 1)::text), 2)",
        occurred_at="pattern.occurred_at + line * interval '1 second'",
    )  # fmt: skip
    only = f" WHERE {fails}"
    of_failed = f"pattern.entry_id = 3 * ({shift} % {CELLS}) + 3"
    modes = _copied(engine, "entry_mode", of_failed, entry_id=after) + only
    positions = _copied(
        engine, "failure_position", of_failed, entry_id=after, shift_id=f"{CELLS} + 1 + {shift}"
    )
    made = _run(engine, lines, begin=begin, end=end)
    for statement in (modes, positions + only):
        _run(engine, statement, begin=begin, end=end)
    return made


class Writer:
    """Logs a line every so often, as the app does, and knows how long each took."""

    EVERY = 0.01

    def __init__(self, url):
        self._engine = create_engine(url)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._write)
        self.times = []
        self.failure = None

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._over.set()
        self._thread.join()
        self._engine.dispose()

    def _write(self):
        try:
            with self._engine.connect() as connection:
                while not self._over.wait(self.EVERY):
                    begun = time.perf_counter()
                    self._write_one(connection, len(self.times))
                    self.times.append(time.perf_counter() - begun)
        except Exception as error:
            self.failure = error

    def _write_one(self, connection, number):
        cell, wrong = number % CELLS + 1, number % 10 == 0
        values = {"cell": cell, "client": f"written-{number}", "pattern": 3 * cell - (not wrong)}
        connection.execute(text(LOCKED), values)
        connection.execute(text(WRITTEN), values)
        if wrong:
            for statement in (MODE, POSITION, CLOSED):
                connection.execute(text(statement), values)
        connection.execute(text(SEEN), values)
        connection.commit()


LOCKED = "SELECT chain_head FROM cell WHERE id = :cell FOR UPDATE"
WRITTEN = """
    INSERT INTO entry (client_id, cell_id, sequence, shift_id, kind, occurred_at, recorded_at,
                       person_id, cycles, text, reason, previous_hash, hash)
    SELECT :client, cell_id, (SELECT max(sequence) + 1 FROM entry WHERE cell_id = :cell), shift_id,
           kind, occurred_at, now(), person_id, cycles, '', '', previous_hash, hash
    FROM entry WHERE id = :pattern
"""
MODE = """
    INSERT INTO entry_mode (entry_id, failure_mode_id)
    SELECT entry.id, pattern.failure_mode_id FROM entry, entry_mode AS pattern
    WHERE client_id = :client AND pattern.entry_id = :pattern
"""
POSITION = """
    INSERT INTO failure_position (entry_id, failure_mode_id, shift_id, revision_id, relevant, ruled)
    SELECT entry.id, pattern.failure_mode_id, pattern.shift_id, pattern.revision_id, TRUE, FALSE
    FROM entry, failure_position AS pattern
    WHERE client_id = :client AND pattern.entry_id = :pattern
"""
CLOSED = "UPDATE shift SET closed_at = now() WHERE id = (SELECT max(id) FROM shift)"
SEEN = "UPDATE cell SET chain_length = chain_length + 1 WHERE id = :cell"
