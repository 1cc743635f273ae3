"""The tables as copying sees them: plain values, keys, and the order that pointers ask for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import JSON, Column, Enum, LargeBinary, MetaData, String, Table
from sqlalchemy.types import TypeEngine

from trialog.records.base import Base

APPENDED = frozenset({"entry", "entry_mode", "audit_event", "photo", "kept_report"})
"""Tables whose rows never change and never go: what has arrived of them once stays as it is."""

CHUNK = 5000
CHUNK_OF_FILES = 4
"""Rows with a file in them may hold megabytes each."""


@dataclass(frozen=True)
class Copied:
    """A table as it is copied: columns of plain types, so that a row goes over as it stands."""

    table: Table
    key: tuple[Column[Any], ...]
    appended: bool
    pointed_at: bool
    """Whether rows of other tables name its rows, so that none can be taken away in between."""

    chunk: int

    @property
    def name(self) -> str:
        """The table's name."""
        return self.table.name

    @property
    def counts_up(self) -> bool:
        """Whether the database numbers new rows by itself."""
        return len(self.key) == 1 and self.key[0].name == "id"


@cache
def copied_tables() -> tuple[Copied, ...]:
    """Return all tables, each after those that its rows name."""
    ordered = Base.metadata.sorted_tables
    named = {
        pointer.column.table.name
        for table in ordered
        for pointer in table.foreign_keys
        if pointer.column.table is not table
    }
    return tuple(_copied(table, pointed_at=table.name in named) for table in ordered)


def _copied(table: Table, *, pointed_at: bool) -> Copied:
    columns = [
        Column(one.name, _plain(one), primary_key=one.primary_key, nullable=one.nullable)
        for one in table.columns
    ]
    plain = Table(table.name, MetaData(), *columns)
    files = any(isinstance(one.type, LargeBinary) for one in columns)
    return Copied(
        plain,
        tuple(plain.primary_key.columns),
        appended=table.name in APPENDED,
        pointed_at=pointed_at,
        chunk=CHUNK_OF_FILES if files else CHUNK,
    )


def _plain(column: Column[Any]) -> TypeEngine[Any]:
    """Return the type that says least: a word that nobody uses any more is copied like others."""
    if isinstance(column.type, Enum):
        return String()
    if isinstance(column.type, JSON):
        return JSON(none_as_null=bool(column.nullable))
    return column.type
