"""Who is signed in where, and who typed wrong PINs where. Work under way, held by no seal."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from trialog.records.base import Base, PrimaryKey, Sha256


class SignIn(Base):
    """A session of somebody's that has not ended; without its row a cookie is worth nothing."""

    __tablename__ = "sign_in"

    id: Mapped[PrimaryKey]
    token_hash: Mapped[Sha256] = mapped_column(
        unique=True, comment="SHA-256 of the session's secret"
    )
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    begun_at: Mapped[datetime] = mapped_column(index=True)


class WrongPins(Base):
    """The wrong PINs that were typed for one person at one place."""

    __tablename__ = "wrong_pins"
    __table_args__ = (UniqueConstraint("person_id", "place"),)

    id: Mapped[PrimaryKey]
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    place: Mapped[str] = mapped_column(
        String(40), comment="a tablet, a browser that the person has signed in from, or elsewhere"
    )
    total: Mapped[int]
    held: Mapped[float] = mapped_column(
        comment="how many are held against the place, as of the last; one is let go each day"
    )
    last_at: Mapped[datetime]
    wait_until: Mapped[datetime | None]
