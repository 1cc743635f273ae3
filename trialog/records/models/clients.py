"""The programs that talk to trialog, and the tokens that let them."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import JSON, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import Base, Name, PrimaryKey, Sha256

if TYPE_CHECKING:
    from trialog.records.models.setup import Cell, Person


class Client(Base):
    """A program that somebody answers for."""

    __tablename__ = "client"

    id: Mapped[PrimaryKey]
    name: Mapped[Name] = mapped_column(unique=True)
    responsible_id: Mapped[int] = mapped_column(
        ForeignKey("person.id"), comment="who answers for it: it may do no more than they may"
    )
    cell_id: Mapped[int | None] = mapped_column(
        ForeignKey("cell.id"), comment="the one cell that it is for; empty: all"
    )
    made_at: Mapped[datetime]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))

    responsible: Mapped[Person] = relationship(foreign_keys=[responsible_id], viewonly=True)
    cell: Mapped[Cell | None] = relationship(viewonly=True)
    tokens: Mapped[list[ClientToken]] = relationship(order_by="ClientToken.id", viewonly=True)


class ClientToken(Base):
    """A secret that a client shows with every request."""

    __tablename__ = "client_token"

    id: Mapped[PrimaryKey]
    client_id: Mapped[int] = mapped_column(ForeignKey("client.id"), index=True)
    hint: Mapped[str] = mapped_column(
        String(12), unique=True, comment="the part of it that is no secret, to tell tokens apart"
    )
    token_hash: Mapped[Sha256] = mapped_column(unique=True, comment="SHA-256 of the whole token")
    scopes: Mapped[list[str]] = mapped_column(JSON, comment="what it opens")
    made_at: Mapped[datetime]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    expires_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]
    last_used_at: Mapped[datetime | None]

    client: Mapped[Client] = relationship(viewonly=True)
