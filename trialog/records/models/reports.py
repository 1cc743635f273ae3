"""Reports that are due, and reports that were made once and are kept as they were."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    ForeignKey,
    Index,
    LargeBinary,
    String,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import Base, PrimaryKey, Sha256, Text, choice
from trialog.records.words import ReportKind

if TYPE_CHECKING:
    from trialog.records.models.setup import Cell

ABOUT_ONE = "(shift_id IS NULL) <> (sign_off_id IS NULL)"


class DueReport(Base):
    """A report that is to be made; written in the transaction that made it due."""

    __tablename__ = "due_report"
    __table_args__ = (CheckConstraint(ABOUT_ONE, name="about_one"),)

    id: Mapped[PrimaryKey]
    shift_id: Mapped[int | None] = mapped_column(ForeignKey("shift.id"), unique=True)
    sign_off_id: Mapped[int | None] = mapped_column(ForeignKey("sign_off.id"), unique=True)
    line: Mapped[int] = mapped_column(
        BigInteger, comment="the report must rest on the cell's logbook at least up to this line"
    )
    next_try_at: Mapped[datetime] = mapped_column(index=True)
    tries: Mapped[int] = mapped_column(default=0)
    last_error: Mapped[Text] = mapped_column(default="")


class KeptReport(Base):
    """A report as it was made. A later version is another row; none is changed or deleted."""

    __tablename__ = "kept_report"
    __table_args__ = (
        UniqueConstraint("shift_id", "version"),
        UniqueConstraint("sign_off_id"),
        CheckConstraint(ABOUT_ONE, name="about_one"),
        CheckConstraint("(kind = 'shift') = (shift_id IS NOT NULL)", name="kind_as_subject"),
        Index(None, "made_at"),
    )

    id: Mapped[PrimaryKey]
    kind: Mapped[ReportKind] = mapped_column(choice(ReportKind, "report_kind"))
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"), index=True)
    shift_id: Mapped[int | None] = mapped_column(ForeignKey("shift.id"))
    sign_off_id: Mapped[int | None] = mapped_column(ForeignKey("sign_off.id"))
    version: Mapped[int]
    title: Mapped[Text]
    sentence: Mapped[Text]
    language: Mapped[str] = mapped_column(String(8))
    line: Mapped[int] = mapped_column(
        BigInteger, comment="the length of the cell's logbook that it rests on"
    )
    made_at: Mapped[datetime]
    sha256: Mapped[Sha256] = mapped_column(comment="SHA-256 of the content as stored")
    content: Mapped[bytes] = mapped_column(
        LargeBinary, deferred=True, comment="the frozen report as JSON, compressed"
    )

    cell: Mapped[Cell] = relationship(viewonly=True)
