"""New lines on their way into the table, and what those that say the same have in common."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache, cached_property, partial
from typing import Any, NamedTuple

from sqlalchemy import Dialect
from sqlalchemy.orm import Session

from trialog.records.base import Base
from trialog.records.bulk import EMPTY, copy_text, copy_texts, insert_rows
from trialog.records.chain import Frame, canonical_time
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


def insert_lines(
    session: Session,
    cell: Cell,
    lines: Collection[Fresh],
    meanwhile: Callable[[], None] | None = None,
) -> None:
    """Chain lines to the end of a cell's logbook and insert them.

    `meanwhile` may be called while the database is at work, and must not use it.
    """
    connection, filled = session.connection(), _filled(lines)
    chain, columns = _Chain(cell.chain_length, cell.chain_head), (*_OWN, *filled)
    linked, values = chain.link(lines), partial(_values, _as_stored(connection.dialect), filled)
    # What lines have in common is worked out once for all of them.
    if connection.dialect.name == "postgresql":
        texts = _texts(linked, cache(lambda common: copy_text(values(common))))
        copy_texts(connection, _TABLE, columns, texts, meanwhile)
    else:
        insert_rows(connection, _TABLE, columns, _rows(linked, cache(values)))
    cell.chain_length, cell.chain_head = chain.length, chain.head


def _filled(lines: Collection[Fresh]) -> Sequence[str]:
    """Return the common columns that not all lines leave empty: it takes long to say so of each."""
    commons = {fresh.common for fresh in lines}
    return [name for name in _COMMON if any(one.facts[name] is not None for one in commons)]


def _values(
    stored: Mapping[str, Callable[[Any], Any]], columns: Sequence[str], common: Common
) -> tuple[Any, ...]:
    return tuple(stored[name](common.facts[name]) for name in columns)


class _Linked(NamedTuple):
    """A line in its place; `moment` is its time's canonical one, written out for its hash.

    Writing it out once more for the driver would take as long as hashing does.
    """

    client_id: str
    moment: str
    number: int | None
    sequence: int
    previous_hash: str
    hash: str
    common: Common


@dataclass
class _Chain:
    length: int
    head: str

    def link(self, lines: Iterable[Fresh]) -> Iterator[_Linked]:
        """Go through lines, and give each its place and hash."""
        for client_id, at, number, common in lines:
            previous, self.length, moment = self.head, self.length + 1, canonical_time(at)
            self.head = common.frame.hash(previous, client_id, self.length, moment, number)
            yield _Linked(client_id, moment, number, self.length, previous, self.head, common)


def _rows(
    linked: Iterable[_Linked], rest: Callable[[Common], tuple[Any, ...]]
) -> Iterator[Sequence[Any]]:
    """Return the rows of lines as SQLite's driver takes them."""
    for client_id, moment, number, sequence, previous, head, common in linked:
        time = f"{moment[:10]} {moment[11:26]}"  # as SQLAlchemy has it: a blank for T, and no zone
        yield client_id, time, number, sequence, previous, head, *rest(common)


def _texts(linked: Iterable[_Linked], rest: Callable[[Common], str]) -> Iterator[str]:
    """Return the rows of lines as PostgreSQL's COPY takes them."""
    for client_id, moment, number, sequence, previous, head, common in linked:
        # No id or hash holds a sign that would have to be escaped.
        cycle = EMPTY if number is None else number
        yield f"{client_id}\t{moment}\t{cycle}\t{sequence}\t{previous}\t{head}\t{rest(common)}\n"


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
