"""Who did what when, and the row that holds the end of that list."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, BigInteger, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from trialog.records.base import Base, BigId, PrimaryKey, Sha256


class AuditEvent(Base):
    """Who did what when; written in the transaction that did it, and chained as it ends."""

    __tablename__ = "audit_event"

    id: Mapped[int] = mapped_column(BigId, primary_key=True)
    at: Mapped[datetime]
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    action: Mapped[str] = mapped_column(String(60))
    subject: Mapped[str] = mapped_column(String(60))
    subject_id: Mapped[int | None] = mapped_column(BigInteger)
    details: Mapped[dict[str, Any]] = mapped_column(JSON)
    sequence: Mapped[int | None] = mapped_column(
        BigInteger,
        unique=True,
        comment="place in the chain, from 1; empty only until its transaction ends",
    )
    sealed: Mapped[list[Any]] = mapped_column(
        JSON,
        default=list,
        comment="rows that the transaction wrote: table, key, seal before and after",
    )
    previous_hash: Mapped[Sha256] = mapped_column(default="")
    hash: Mapped[Sha256] = mapped_column(default="")


class AuditChain(Base):
    """One row: how long the chain of audit events is, and the hash of the newest.

    Whoever adds an event locks it, so that the chain has one end.
    """

    __tablename__ = "audit_chain"

    id: Mapped[PrimaryKey]
    length: Mapped[int] = mapped_column(BigInteger)
    head: Mapped[Sha256]
