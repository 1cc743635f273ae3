"""Seals: the hash of each row that is set up, stated, signed or settled outside the logbook.

A seal is written into the audit event of the transaction that wrote the row. It covers the row's
values other than nothing, so that a column that is added later and empty changes no seal; a
migration that fills one seals the rows anew.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import JSON, Boolean, Connection, DateTime, Table, select, type_coerce
from sqlalchemy.types import NULLTYPE, TypeDecorator, TypeEngine

from trialog.records.base import Base
from trialog.records.chain import canonical

CHUNK = 500

VOLATILE: dict[str, frozenset[str]] = {
    # The logbook's own chain ends there.
    "cell": frozenset({"chain_length", "chain_head"}),
    # Noted each time the tablet sends.
    "tablet": frozenset({"seen_at", "page_version", "clock_ahead_seconds", "clock_moved_at"}),
    # Noted about once a minute while it is used.
    "client_token": frozenset({"last_used_at"}),
    # The hash of the bytes is the row's name, and `verify` hashes them again.
    "photo": frozenset({"content"}),
    # How far the machine was heard, noted with each thing that it says.
    "feed": frozenset(
        {
            "instance",
            "next_sequence",
            "rewinds",
            "heard_at",
            "last_error",
            "failing_since",
            "gaps",
            "clock_ahead_seconds",
            "holder",
            "held_until",
        }
    ),
    # Its hash stands beside it, and `verify` hashes it again.
    "kept_report": frozenset({"content"}),
}
"""Columns of sealed tables that the seal leaves out."""

SEALED = (
    "person", "cell", "device", "failure_mode", "requirement", "trial", "revision",
    "acknowledgement", "sign_off", "revocation", "verdict_change", "tablet", "parked_line",
    "photo", "kept_report", "client", "client_token", "feed",
)  # fmt: skip
"""Tables whose rows are sealed."""


@dataclass(frozen=True)
class Place:
    """A row, by its table and its key."""

    table: str
    key: int | str


def sealed_columns(table: str) -> tuple[str, ...]:
    """Return the columns of a sealed table that its seals cover."""
    left_out = VOLATILE.get(table, frozenset())
    return tuple(
        column.name for column in Base.metadata.tables[table].columns if column.name not in left_out
    )


def row_seal(table: str, values: Mapping[str, Any]) -> str:
    """Return the seal of a row. Its form never changes: records hold what it gave."""
    filled = {name: value for name, value in values.items() if value is not None}
    return hashlib.sha256(canonical([table, filled])).hexdigest()


def seals_of(
    connection: Connection, table: str, keys: Sequence[int | str], *, lock: bool = False
) -> dict[int | str, str]:
    """Return the seals of some rows as they stand now, by key; those not there are left out."""
    stored = Base.metadata.tables[table]
    (key,) = stored.primary_key
    found: dict[int | str, str] = {}
    for start in range(0, len(keys), CHUNK):
        wanted = [key.in_(keys[start : start + CHUNK])]
        rows = read_rows(connection, stored, sealed_columns(table), wanted, lock=lock)
        found |= {row[key.name]: row_seal(table, row) for row in rows}
    return found


def read_rows(
    connection: Connection,
    table: Table,
    columns: Iterable[str],
    where: Iterable[Any] = (),
    *,
    order: str | None = None,
    lock: bool = False,
) -> Iterator[dict[str, Any]]:
    """Read rows as plain values, also such as the application would never have written.

    The types of the tables stay out of it: they fail on a word or a time that is none, and a
    row that somebody spoiled must still be read to be named.
    """
    names = list(columns)
    plain = [type_coerce(table.c[name], NULLTYPE).label(name) for name in names]
    statement = select(*plain).where(*where)
    if order is not None:
        statement = statement.order_by(table.c[order])
    if lock:
        statement = statement.with_for_update(key_share=True)
    readers = [_reader(table.c[name].type) for name in names]
    for row in connection.execute(statement):
        yield {name: read(value) for name, read, value in zip(names, readers, row, strict=True)}


def _reader(kind: TypeEngine[Any]) -> Callable[[Any], Any]:
    """Return what makes of a driver's value the same plain value on either database."""
    base = kind.impl_instance if isinstance(kind, TypeDecorator) else kind
    for known, reader in ((DateTime, _moment), (JSON, _decoded), (Boolean, _flag)):
        if isinstance(base, known):
            return reader
    return _readable


def _readable(value: Any) -> Any:
    return f"bytes {bytes(value).hex()}" if isinstance(value, bytes | memoryview) else value


def _moment(value: Any) -> Any:
    """Read a time; SQLite keeps it as text, in UTC."""
    if not isinstance(value, str):
        return _readable(value)
    try:
        return datetime.fromisoformat(value).replace(tzinfo=UTC)
    except ValueError:
        return value


def _decoded(value: Any) -> Any:
    """Read JSON; SQLite keeps it as text."""
    if not isinstance(value, str | bytes):
        return value
    try:
        return json.loads(value)
    except ValueError:
        return _readable(value)


def _flag(value: Any) -> Any:
    """Read yes or no; SQLite keeps 1 or 0, and anything else is neither."""
    return bool(value) if type(value) is int and value in (0, 1) else value
