"""Look for rows that name a row that is not there.

The databases refuse such rows, but whoever writes past the application can switch that off.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

from sqlalchemy import (
    Column,
    ColumnElement,
    CompoundSelect,
    ForeignKeyConstraint,
    Integer,
    Select,
    String,
    and_,
    cast,
    func,
    literal_column,
    select,
    union_all,
)
from sqlalchemy.orm import Session

from trialog.records.base import Base
from trialog.records.models import Entry
from trialog.records.verify.difference import Difference


def verify_pointers(session: Session) -> Iterator[Difference]:
    """Follow every foreign key of every table."""
    pointers = _pointers()
    for number, own, said in sorted(session.connection().execute(_broken_ones())):
        table, target = pointers[number].table.name, pointers[number].referred_table.name
        yield Difference(
            f"{spoken(table)} {own}", f"names {spoken(target)} {said}, which is not there"
        )


def verify_ids(session: Session) -> Iterator[Difference]:
    """Look for an id that more than one line has.

    Where the logbook lies in partitions, the database keeps it from that in each of them only.
    """
    times = func.count()
    statement = select(Entry.client_id, times).group_by(Entry.client_id).having(times > 1)
    for client_id, found in session.execute(statement.order_by(Entry.client_id)):
        yield Difference("logbook", f"the id {client_id} stands {found} times")


def spoken(table: str) -> str:
    """Return a table's name in words."""
    return table.replace("_", " ")


@cache
def _pointers() -> list[ForeignKeyConstraint]:
    return [
        pointer
        for table in Base.metadata.sorted_tables
        for pointer in sorted(table.foreign_key_constraints, key=lambda one: str(one.name))
    ]


@cache
def _broken_ones() -> CompoundSelect[int, str, str]:
    """Ask for all of them at once: each pointer by its number, the row, and what it names."""
    return union_all(*(_broken(*numbered) for numbered in enumerate(_pointers())))


def _broken(number: int, pointer: ForeignKeyConstraint) -> Select[int, str, str]:
    table, target = pointer.table, pointer.referred_table.alias()
    pairs = [(element.parent, target.c[element.column.name]) for element in pointer.elements]
    joined = table.outerjoin(target, and_(*(left == right for left, right in pairs)))
    named = [left for left, _ in pairs]
    return (
        select(
            literal_column(str(number), Integer), _listed(list(table.primary_key)), _listed(named)
        )
        .select_from(joined)
        .where(*(left.is_not(None) for left in named), pairs[0][1].is_(None))
    )


def _listed(columns: Sequence[Column[Any]]) -> ColumnElement[str]:
    listed: ColumnElement[str] = cast(columns[0], String)
    for column in columns[1:]:
        listed = listed + ", " + cast(column, String)
    return listed
