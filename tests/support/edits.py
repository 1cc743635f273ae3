"""Random edits of single rows of the records, by plain statements."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from sqlalchemy import (
    JSON,
    Boolean,
    DateTime,
    Enum,
    Float,
    Integer,
    LargeBinary,
    UniqueConstraint,
    delete,
    insert,
    select,
    update,
)
from sqlalchemy.exc import DBAPIError
from sqlalchemy.types import TypeDecorator

from trialog.records.base import Base
from trialog.records.seals import SEALED, VOLATILE

PROTECTED = (
    *SEALED, "entry", "entry_mode", "shift", "cell_rollup", "device_rollup", "mode_rollup",
    "operator_rollup", "failure_position", "audit_event", "audit_chain",
)  # fmt: skip
FREE = {
    # Counted and noted in passing. A cell's chain_… columns and a photo's bytes are protected
    # otherwise than by the seal.
    "tablet": VOLATILE["tablet"],
    "client_token": VOLATILE["client_token"],
    "feed": VOLATILE["feed"],
    # The database's own number for a line or an event. Nothing is said by it; what points at a
    # line by it is lost where it changes, and that is found.
    "entry": {"id"},
    "audit_event": {"id"},
}
"""Columns that hold nothing anybody states."""


@dataclass(frozen=True)
class Edit:
    """What was done to which row, with the ways in which a finding may name it."""

    what: str
    names: tuple[str, ...]


class Editor:
    """Edits a database at random, one row at a time."""

    def __init__(self, connection, rng):
        self._connection, self._rng = connection, rng
        self._others = {
            JSON: lambda value: [value, rng.random()],
            Boolean: lambda value: not value,
            DateTime: lambda value: (
                (value or self._some_time()) + timedelta(hours=rng.randint(1, 99))
            ),
            LargeBinary: lambda value: value + b"x",
            Integer: lambda value: (value or 0) + rng.randint(1, 9),
            Float: lambda value: (value or 0.0) + rng.random() / 1000,
        }

    def edit(self):
        """Make one edit that the database takes and that changes something."""
        while True:
            table = Base.metadata.tables[self._rng.choice(PROTECTED)]
            kind = self._rng.choice(("update", "update", "update", "delete", "insert", "swap"))
            savepoint = self._connection.begin_nested()
            try:
                edit = getattr(self, f"_{kind}")(table)
            except DBAPIError:  # a rule of the database itself stands against it
                edit = None
            if edit is not None:
                savepoint.commit()
                return edit
            savepoint.rollback()

    def _rows(self, table):
        key = list(table.primary_key)
        return [dict(row) for row in self._connection.execute(
            select(table).order_by(*key)).mappings()]  # fmt: skip

    def _columns(self, table):
        return [one for one in table.columns if one.name not in FREE.get(table.name, ())]

    def _at(self, table, row):
        return [column == row[column.name] for column in table.primary_key]

    def _pick(self, table):
        rows = self._rows(table)
        return self._rng.choice(rows) if rows else None

    def _update(self, table):
        row, column = self._pick(table), self._rng.choice(self._columns(table))
        if row is None:
            return None
        new = self._other(column, row[column.name])
        self._connection.execute(
            update(table).where(*self._at(table, row)).values({column.name: new})
        )
        changed = row | {column.name: new}
        what = f"{table.name}.{column.name} of {row} is now {new!r}"
        return Edit(what, (*self._names(table, row), *self._names(table, changed)))

    def _delete(self, table):
        row = self._pick(table)
        if row is None:
            return None
        self._connection.execute(delete(table).where(*self._at(table, row)))
        return Edit(f"{table.name} without {row}", self._names(table, row))

    def _insert(self, table):
        row = self._pick(table)
        if row is None:
            return None
        single = {name for group in self._unique(table) for name in self._rng.sample(group, 1)}
        new = row | {name: self._other(table.c[name], row[name]) for name in single}
        self._connection.execute(insert(table).values(new))
        return Edit(f"{table.name} with {new}", self._names(table, new))

    def _swap(self, table):
        """Let two rows change what they say in one column."""
        rows, column = self._rows(table), self._rng.choice(self._columns(table))
        if len(rows) < 2:
            return None
        one, two = self._rng.sample(rows, 2)
        if one[column.name] == two[column.name]:
            return None
        for row in (one, two):
            self._connection.execute(delete(table).where(*self._at(table, row)))
        swapped = [
            one | {column.name: two[column.name]}, two | {column.name: one[column.name]},
        ]  # fmt: skip
        for row in swapped:
            self._connection.execute(insert(table).values(row))
        what = f"{table.name}.{column.name} of {one} and {two} changed places"
        if _same_rows(self._rows(table), rows):
            return None
        return Edit(what, tuple(name for row in (one, two, *swapped)
                                for name in self._names(table, row)))  # fmt: skip

    def _unique(self, table):
        """Return the groups of columns in which no two rows agree."""
        groups = [[column.name for column in table.primary_key]]
        groups += [
            [column.name for column in rule.columns]
            for rule in table.constraints
            if isinstance(rule, UniqueConstraint)
        ]
        return groups

    def _other(self, column, value):
        """Return another value that the column could hold."""
        if column.nullable and value is not None and self._rng.random() < 0.2:
            return None
        kind = column.type
        kind = kind.impl_instance if isinstance(kind, TypeDecorator) else kind
        if isinstance(kind, Enum):
            return kind.enum_class(self._rng.choice([one for one in kind.enums if one != value]))
        for known, other in self._others.items():
            if isinstance(kind, known):
                return other(value)
        return (value or "")[: (kind.length or 99) - 9] + f"{self._rng.randrange(16**8):08x}"

    def _some_time(self):
        return self._connection.scalar(select(Base.metadata.tables["person"].c.created_at).limit(1))

    def _names(self, table, row):
        return tuple(_NAMED.get(table.name, _by_key)(self._connection, table, row))


def _same_rows(left, right):
    return sorted(map(repr, left)) == sorted(map(repr, right))


def _by_key(_connection, table, row):
    key = ", ".join(str(row[column.name]) for column in table.primary_key)
    return [f"{table.name.replace('_', ' ')} {key}"]


def _line(_connection, _table, row):
    number = row["sequence"]
    return [f"line {number}", f"ends at line {number - 1}", f"entry {row['id']}"]


def _line_of_mode(connection, table, row):
    entry = Base.metadata.tables["entry"]
    number = connection.scalar(select(entry.c.sequence).where(entry.c.id == row["entry_id"]))
    return [f"line {number}", *_by_key(connection, table, row)]


def _shift(connection, table, row):
    return [f"shift {row['label']!r}", *_by_key(connection, table, row)]


def _derived(connection, table, row):
    """A derived row is named by its shift and its table, and shown whole."""
    shift = Base.metadata.tables["shift"]
    label = connection.scalar(select(shift.c.label).where(shift.c.id == row["shift_id"]))
    return [f"shift {label!r}, {table.name}", *_by_key(connection, table, row)]


def _event(_connection, _table, row):
    number = row["sequence"]
    return [f"the row {row['id']} of its table"] if number is None else [
        f"event {number}", f"ends at event {number - 1}",
    ]  # fmt: skip


def _cell(connection, table, row):
    return [f"cell {row['name']!r}, logbook", *_by_key(connection, table, row)]


def _end(_connection, _table, _row):
    return ["ends at event", "its end stands in one row"]


_NAMED = {
    "entry": _line, "entry_mode": _line_of_mode, "shift": _shift, "cell": _cell,
    "cell_rollup": _derived, "device_rollup": _derived, "mode_rollup": _derived,
    "operator_rollup": _derived, "failure_position": _derived, "audit_event": _event,
    "audit_chain": _end,
}  # fmt: skip
