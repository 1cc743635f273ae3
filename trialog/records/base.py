"""What every table shares: the naming convention, the UTC time type, common column types."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated, Any

from sqlalchemy import BigInteger, DateTime, Dialect, Enum, Integer, MetaData, String
from sqlalchemy.orm import DeclarativeBase, mapped_column
from sqlalchemy.types import TypeDecorator

NAMING_CONVENTION = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class UtcDateTime(TypeDecorator[datetime]):
    """A point in time, stored and returned in UTC.

    SQLite forgets time zones, so a value is turned into UTC before it is stored;
    one without a zone is refused, since nobody can say later which hour it meant.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 - SQLAlchemy's signature
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"time must carry a zone, got {value.isoformat()}")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 - SQLAlchemy's signature
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Base of every table."""

    metadata = MetaData(naming_convention=NAMING_CONVENTION)
    type_annotation_map = {datetime: UtcDateTime()}  # noqa: RUF012 - SQLAlchemy reads it off the class


NAME_LIMIT = 120
LARGEST_ID = 2**31 - 1
"""The largest key that an integer column of either database holds."""

TEXT_LIMIT = 2000

PrimaryKey = Annotated[int, mapped_column(primary_key=True)]
Name = Annotated[str, mapped_column(String(NAME_LIMIT))]
Text = Annotated[str, mapped_column(String(TEXT_LIMIT))]
BigId = BigInteger().with_variant(Integer, "sqlite")
"""SQLite counts up by itself only in a column of this type."""

Sha256 = Annotated[str, mapped_column(String(64))]
ClientId = Annotated[str, mapped_column(String(64))]


def choice(values: type[StrEnum], name: str) -> Enum:
    """Make the column type of one of a fixed set of words, checked by the database too."""
    return Enum(
        values,
        name=name,
        native_enum=False,
        create_constraint=True,
        length=40,
        values_callable=_values,
    )


def _values(members: Any) -> list[str]:
    return [member.value for member in members]
