"""New lines on their way into the table, and what those that say the same have in common."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, cached_property
from typing import Any, NamedTuple

from sqlalchemy import Connection, Dialect
from sqlalchemy.orm import Session

from trialog.records.base import Base
from trialog.records.bulk import insert_rows
from trialog.records.chain import Frame
from trialog.records.models import Cell
from trialog.records.shiftlog import Line, ShiftLog
from trialog.records.words import EntryKind

_TABLE = Base.metadata.tables["entry"]
_OWN = ("client_id", "occurred_at", "cycle_number", "sequence", "previous_hash", "hash")
_COMMON = tuple(column.name for column in _TABLE.columns if column.name not in ("id", *_OWN))


@dataclass(eq=False)
class Common:
    """What lines that say the same have in common, worked out at the first of them.

    `facts`: the columns of that line's row and its modes, without place and hash. `log`: of the
    shift that they belong to, None for lines of none.
    """

    facts: Mapping[str, Any]
    line: Line
    log: ShiftLog | None

    @property
    def kind(self) -> EntryKind:
        """What kind of line they are."""
        kind: EntryKind = self.facts["kind"]
        return kind

    @cached_property
    def frame(self) -> Frame:
        """What hashes them."""
        return Frame(self.facts)


class Fresh(NamedTuple):
    """A line that is not in the table yet."""

    client_id: str
    at: datetime
    number: int | None
    common: Common


def insert_lines(session: Session, cell: Cell, lines: Iterable[Fresh]) -> None:
    """Chain lines to the end of a cell's logbook and insert them."""
    connection = session.connection()
    chain = _Chain(cell.chain_length, cell.chain_head)
    insert_rows(connection, _TABLE, (*_OWN, *_COMMON), chain.rows(connection, lines))
    cell.chain_length, cell.chain_head = chain.length, chain.head


@dataclass
class _Chain:
    length: int
    head: str

    def rows(self, connection: Connection, lines: Iterable[Fresh]) -> Iterator[Sequence[Any]]:
        """Go through the rows of lines, each with its place and hash."""
        as_stored = _as_stored(connection.dialect)
        time = as_stored["occurred_at"]
        rest: dict[Common, tuple[Any, ...]] = {}
        for client_id, at, number, common in lines:
            if common not in rest:
                rest[common] = tuple(as_stored[name](common.facts[name]) for name in _COMMON)
            previous, self.length = self.head, self.length + 1
            self.head = common.frame.hash(previous, client_id, self.length, at, number)
            own = (client_id, time(at), number, self.length, previous, self.head)
            yield own + rest[common]


@cache
def _as_stored(dialect: Dialect) -> Mapping[str, Callable[[Any], Any]]:
    """Return what makes of a column's value what the database's driver takes."""
    made = {}
    for column in _TABLE.columns:
        implemented = column.type.dialect_impl(dialect)
        made[column.name] = implemented.bind_processor(dialect) or _as_it_is
    return made


def _as_it_is(value: Any) -> Any:
    return value
