"""Look for rows that name a row that is not there.

The databases refuse such rows, but whoever writes past the application can switch that off.
"""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy import ForeignKeyConstraint, and_, select
from sqlalchemy.orm import Session

from trialog.records.base import Base
from trialog.records.verify.difference import Difference


def verify_pointers(session: Session) -> Iterator[Difference]:
    """Follow every foreign key of every table."""
    for table in Base.metadata.sorted_tables:
        for pointer in sorted(table.foreign_key_constraints, key=lambda one: str(one.name)):
            yield from _broken(session, pointer)


def _broken(session: Session, pointer: ForeignKeyConstraint) -> Iterator[Difference]:
    table, target = pointer.table, pointer.referred_table.alias()
    pairs = [(element.parent, target.c[element.column.name]) for element in pointer.elements]
    joined = table.outerjoin(target, and_(*(left == right for left, right in pairs)))
    key = list(table.primary_key)
    named = [left for left, _ in pairs]
    statement = (
        select(*key, *named)
        .select_from(joined)
        .where(*(left.is_not(None) for left in named), pairs[0][1].is_(None))
        .order_by(*key)
    )
    for row in session.connection().execute(statement):
        own, said = row[: len(key)], row[len(key) :]
        yield Difference(
            f"{spoken(table.name)} {_values(own)}",
            f"names {spoken(pointer.referred_table.name)} {_values(said)}, which is not there",
        )


def spoken(table: str) -> str:
    """Return a table's name in words."""
    return table.replace("_", " ")


def _values(values: object) -> str:
    return ", ".join(str(value) for value in values)  # type: ignore[attr-defined]  # a row's part
