"""The logbook on PostgreSQL: divided by the lines' ids, so that no index outgrows the memory.

Each partition keeps client ids, and the places in a cell's logbook, from standing twice in it.
Between partitions the look-up before writing does, under the lock on the cell's row; `verify`
looks over all of them. New partitions are made ahead of need; what comes beyond the last one goes
into the default partition, so that nothing is ever refused.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from trialog.errors import ConflictError
from trialog.records.online import (
    briefly,
    change_check,
    has_constraint,
    is_partitioned,
    partitions_of,
)

TABLE = "entry"
SPAN = 10_000_000
"""Ids of a partition: its indexes take some gigabytes."""

LITTLE_ROOM = SPAN // 4
"""Ids left of a partition; the server makes the next one when there is room for twice as many."""

DEFAULT = f"{TABLE}_default"
UNIQUE = (("client_id",), ("cell_id", "sequence"))
"""What stands once in each partition."""

CLEAR_OF_NEXT = f"ck_{DEFAULT}_clear_of_next"
"""While a partition is made: that no line in the default one belongs there."""

MAKING = 7_461_203
"""Any fixed number: the lock that keeps two from making partitions at once."""

POINTED_LOCK = "cell, device, failure_mode, person, shift, tablet IN SHARE ROW EXCLUSIVE MODE"
"""Of the tables that lines name: a partition that comes to it locks them for a moment."""

_PARTITION = re.compile(rf"{TABLE}_(?:p\d+|default)")
_UPPER = re.compile(r"TO \('(\d+)'\)")
_UNIQUE_NAMES = frozenset(f"uq_{TABLE}_{'_'.join(columns)}" for columns in UNIQUE)
KEY_OF_TARGETS = f"fk_{TABLE}_target_{TABLE}"

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Standing:
    """How far the partitions reach, the highest id, and whether lines are in the default one."""

    upper: int
    highest: int
    overflow: bool


def one_takes_all(connection: Connection) -> bool:
    """Say whether one partition has all lines, and room for many more.

    It lets no client id stand twice then. Otherwise it must be looked for before it is written.
    """
    if connection.dialect.name != "postgresql":
        return True
    last = connection.exec_driver_sql(f"SELECT last_value FROM {TABLE}_id_seq").scalar_one()  # noqa: S608
    return int(last) < SPAN - LITTLE_ROOM


def make_ahead(engine: Engine, upto: int = 0) -> None:
    """Make the partitions that the logbook needs next; `upto` is an id that they must reach.

    A user who may not make tables can run the server all the same: lines then go into the default
    partition, and the server's log says so.
    """
    if engine.dialect.name != "postgresql":
        return
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        if not is_partitioned(connection, TABLE):
            return
        try:
            with _alone(connection) as alone:
                if alone:
                    _make_missing(connection, upto)
        except (DBAPIError, ConflictError) as error:
            _log.warning("the logbook's next partition could not be made: %s", error)


@contextmanager
def _alone(connection: Connection) -> Iterator[bool]:
    """Keep others from making partitions meanwhile; False where one is at it already."""
    key = {"key": MAKING}
    had = connection.scalar(text("SELECT pg_try_advisory_lock(:key)"), key)
    try:
        yield bool(had)
    finally:
        if had:
            connection.scalar(text("SELECT pg_advisory_unlock(:key)"), key)


def _make_missing(connection: Connection, upto: int) -> None:
    if has_constraint(connection, DEFAULT, CLEAR_OF_NEXT):  # of a try that broke off
        _let_go_of_default(connection)
    found = standing(connection)
    need = max(found.highest, upto) + SPAN // 2
    lower = found.upper
    if found.overflow:
        # Where lines lie in the default partition they stay; the next one begins well beyond
        # them, for more may come while it is made.
        lower = max(lower, ((found.highest + SPAN // 10) // SPAN + 1) * SPAN)
        need = max(need, lower)
    made = False
    while lower <= need:
        with _default_clear_of(connection, lower) if found.overflow else nullcontext():
            _make(connection, lower)
        lower, made = lower + SPAN, True
    if made:
        connection.exec_driver_sql(f"ANALYZE {TABLE}")


def standing(connection: Connection) -> Standing:
    """Return how far the logbook's partitions reach."""
    bounds = connection.execute(
        text(
            "SELECT pg_get_expr(relpartbound, pg_class.oid) FROM pg_inherits "
            "JOIN pg_class ON pg_class.oid = inhrelid WHERE inhparent = to_regclass(:table)"
        ),
        {"table": TABLE},
    ).scalars()
    uppers = [int(found[1]) for bound in bounds if (found := _UPPER.search(bound))]
    highest = connection.exec_driver_sql(f"SELECT max(id) FROM {TABLE}").scalar()  # noqa: S608
    there = connection.exec_driver_sql(f"SELECT 1 FROM {DEFAULT} LIMIT 1").first()  # noqa: S608
    return Standing(max(uppers, default=0), highest or 0, there is not None)


def _make(connection: Connection, lower: int) -> None:
    """Make one partition beside the logbook, whole with its indexes, and let it take its place."""
    name = f"{TABLE}_p{lower // SPAN}"
    _clear_away(connection, name)
    briefly(
        connection,
        f"CREATE TABLE {name} (LIKE {TABLE} INCLUDING DEFAULTS INCLUDING CONSTRAINTS)",
        *unique_indexes(name),
    )
    values = f"FROM ({lower}) TO ({lower + SPAN})"
    briefly(
        connection,
        f"ALTER TABLE {TABLE} ATTACH PARTITION {name} FOR VALUES {values}",
        locks=(POINTED_LOCK,),
    )


def _clear_away(connection: Connection, name: str) -> None:
    """Drop what a try that broke off has left. What holds lines is never dropped."""
    if connection.scalar(text("SELECT to_regclass(:name)"), {"name": name}) is None:
        return
    if connection.exec_driver_sql(f"SELECT 1 FROM {name} LIMIT 1").first():  # noqa: S608
        raise ConflictError(
            f"table {name} holds lines, but is no partition of the logbook; attach it again, or "
            "rename it once they are somewhere else"
        )
    briefly(connection, f"DROP TABLE {name}")


@contextmanager
def _default_clear_of(connection: Connection, lower: int) -> Iterator[None]:
    """Let the database know that the default partition holds no line of the next one.

    Otherwise it looks through all of them when that one is attached, and nobody logs meanwhile.
    """
    change_check(connection, DEFAULT, CLEAR_OF_NEXT, f"id < {lower} OR id >= {lower + SPAN}")
    try:
        yield
    finally:
        _let_go_of_default(connection)


def _let_go_of_default(connection: Connection) -> None:
    briefly(connection, f"ALTER TABLE {DEFAULT} DROP CONSTRAINT IF EXISTS {CLEAR_OF_NEXT}")


def unique_indexes(partition: str) -> Iterator[str]:
    """Return the statements that make what stands once in a partition."""
    for columns in UNIQUE:
        named = f"uq_{partition}_{'_'.join(columns)}"
        yield f"CREATE UNIQUE INDEX IF NOT EXISTS {named} ON {partition} ({', '.join(columns)})"


def compared(item: Any, name: str | None, kind: str, reflected: bool, _to: Any) -> bool:
    """Say whether a difference between schema and models is one: for Alembic, on PostgreSQL.

    Partitions are the logbook's own affair, and what stands once in each of them cannot be said
    of the whole; `missing` looks after both.
    """
    if kind == "table":
        return not _PARTITION.fullmatch(name or "")
    if kind == "foreign_key_constraint" and reflected:
        # The database notes a key to the whole once more for each of its partitions.
        return not _PARTITION.fullmatch(item.elements[0].target_fullname.partition(".")[0])
    return reflected or name not in _UNIQUE_NAMES | {KEY_OF_TARGETS}


def missing(connection: Connection) -> Iterator[str]:
    """Name what the logbook's partitions lack, a line each."""
    if not is_partitioned(connection, TABLE):
        yield f"table {TABLE} is not divided into partitions"
        return
    names = partitions_of(connection, TABLE)
    if DEFAULT not in names:
        yield f"table {TABLE} has no partition {DEFAULT}"
    for name in names:
        for columns in UNIQUE:
            if not connection.scalar(_STANDS_ONCE, {"name": name, "columns": list(columns)}):
                yield f"partition {name} has no valid unique index on {', '.join(columns)}"


_STANDS_ONCE = text(
    "SELECT 1 FROM pg_index WHERE indrelid = to_regclass(:name) AND indisunique AND indisvalid "
    "AND indpred IS NULL AND CAST(:columns AS text[]) = ARRAY(SELECT CAST(attname AS text) "
    "FROM unnest(indkey) WITH ORDINALITY AS key(number, place) JOIN pg_attribute "
    "ON attrelid = indrelid AND attnum = number ORDER BY place) LIMIT 1"
)
