"""Machines that are listened to, and how far each has been heard."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import BigInteger, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import Base, Name, PrimaryKey, Text, choice
from trialog.records.words import FeedMode

if TYPE_CHECKING:
    from trialog.records.models.setup import Cell


class Feed(Base):
    """An agent that tells of a cell's machine, and where to go on listening."""

    __tablename__ = "feed"

    id: Mapped[PrimaryKey]
    key: Mapped[str] = mapped_column(
        String(12), unique=True, comment="begins the ids of its lines; never given twice"
    )
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"), unique=True)
    url: Mapped[str] = mapped_column(String(500))
    device: Mapped[Name | None] = mapped_column(comment="empty: all that the agent tells of")
    count_item: Mapped[Name] = mapped_column(comment="id of the data item with the part count")
    state_item: Mapped[Name | None] = mapped_column(
        comment="id of the data item that says what the machine is doing"
    )
    mode: Mapped[FeedMode] = mapped_column(choice(FeedMode, "feed_mode"))
    enabled: Mapped[bool] = mapped_column(default=True)
    added_at: Mapped[datetime]
    added_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    instance: Mapped[str | None] = mapped_column(
        String(40), comment="the agent's instance id; another one: it was started anew"
    )
    next_sequence: Mapped[int | None] = mapped_column(
        BigInteger, comment="where to go on; empty: at what holds now"
    )
    rewinds: Mapped[int] = mapped_column(
        default=0, comment="how often its numbers began anew under one instance id"
    )
    heard_at: Mapped[datetime | None]
    last_error: Mapped[Text] = mapped_column(default="")
    failing_since: Mapped[datetime | None]
    gaps: Mapped[int] = mapped_column(default=0)
    clock_ahead_seconds: Mapped[float | None]
    holder: Mapped[str | None] = mapped_column(String(64), comment="who follows it just now")
    held_until: Mapped[datetime | None]

    cell: Mapped[Cell] = relationship(viewonly=True)
