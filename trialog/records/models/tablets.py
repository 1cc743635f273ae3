"""The tablets at the machines, and what they sent that broke a rule."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import JSON, ForeignKey
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import Base, ClientId, Name, PrimaryKey, Sha256, Text, choice
from trialog.records.words import ParkedOutcome

if TYPE_CHECKING:
    from trialog.records.models.setup import Cell, Person


class Tablet(Base):
    """A browser at a machine that an engineer has let log on its own key."""

    __tablename__ = "tablet"

    id: Mapped[PrimaryKey]
    name: Mapped[Name] = mapped_column(unique=True)
    cell_id: Mapped[int | None] = mapped_column(
        ForeignKey("cell.id"), comment="the cell it opens with; empty: it asks"
    )
    key_hash: Mapped[Sha256] = mapped_column(unique=True, comment="SHA-256 of its secret key")
    enrolled_at: Mapped[datetime]
    enrolled_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    revoked_at: Mapped[datetime | None]
    seen_at: Mapped[datetime | None]
    page_version: Mapped[Name | None]
    clock_ahead_seconds: Mapped[float | None] = mapped_column(
        comment="how far its clock was ahead of the server's when it last wrote"
    )
    clock_moved_at: Mapped[datetime | None] = mapped_column(
        comment="when that difference was last seen to jump"
    )

    cell: Mapped[Cell | None] = relationship(viewonly=True)
    enrolled_by: Mapped[Person | None] = relationship(viewonly=True)


class EnrolmentCode(Base):
    """A short code that makes one browser a tablet, once and soon."""

    __tablename__ = "enrolment_code"

    id: Mapped[PrimaryKey]
    code_hash: Mapped[Sha256] = mapped_column(unique=True)
    tablet_name: Mapped[Name]
    cell_id: Mapped[int | None] = mapped_column(ForeignKey("cell.id"))
    made_by_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    made_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class ParkedLine(Base):
    """A tablet's line that broke a rule: kept as it came until an engineer has seen to it."""

    __tablename__ = "parked_line"

    id: Mapped[PrimaryKey]
    client_id: Mapped[ClientId] = mapped_column(unique=True)
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"), index=True)
    tablet_id: Mapped[int] = mapped_column(ForeignKey("tablet.id"))
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    line: Mapped[dict[str, Any]] = mapped_column(JSON, comment="the line as the tablet sent it")
    why: Mapped[Text]
    parked_at: Mapped[datetime]
    outcome: Mapped[ParkedOutcome | None] = mapped_column(choice(ParkedOutcome, "outcome"))
    outcome_reason: Mapped[Text] = mapped_column(default="")
    settled_at: Mapped[datetime | None]
    settled_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))

    tablet: Mapped[Tablet] = relationship(viewonly=True)
    person: Mapped[Person | None] = relationship(foreign_keys=[person_id], viewonly=True)
