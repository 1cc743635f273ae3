"""The logbook: shifts and the lines written in them. Lines are the truth."""

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
    text,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import (
    NAME_LIMIT,
    Base,
    BigId,
    ClientId,
    Name,
    PrimaryKey,
    Sha256,
    Text,
    choice,
)
from trialog.records.words import (
    Condition,
    CounterEvent,
    EntryKind,
    Reading,
    RulingCause,
    Stage,
)

if TYPE_CHECKING:
    from trialog.records.models.setup import Cell, FailureMode, Person
    from trialog.records.models.tablets import Tablet

FROM_TABLET = text("tablet_id IS NOT NULL")


class Shift(Base):
    """One crew's stretch of logging. All but its identity is derived from the logbook."""

    __tablename__ = "shift"
    __table_args__ = (UniqueConstraint("cell_id", "label"),)

    id: Mapped[PrimaryKey]
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"))
    label: Mapped[Name]
    stage: Mapped[Stage] = mapped_column(choice(Stage, "stage"))
    opened_at: Mapped[datetime]
    opening_counter: Mapped[int | None] = mapped_column(BigInteger)
    closed_at: Mapped[datetime | None]
    closing_counter: Mapped[int | None] = mapped_column(BigInteger)
    counter_event: Mapped[CounterEvent | None] = mapped_column(
        choice(CounterEvent, "counter_event")
    )
    good_by_counter: Mapped[bool] = mapped_column(
        default=False, comment="a counter's reading alone vouches for good cycles"
    )
    settled: Mapped[bool] = mapped_column(
        default=False, comment="an engineer has written in what the counter read"
    )
    machine_opening: Mapped[int | None] = mapped_column(
        BigInteger, comment="the machine's own count as the shift opened"
    )
    machine_closing: Mapped[int | None] = mapped_column(
        BigInteger, comment="the machine's own count as the shift closed"
    )
    machine_counted: Mapped[int | None] = mapped_column(
        BigInteger,
        comment="what it counted in between; empty: it cannot tell, or an engineer settled it",
    )

    cell: Mapped[Cell] = relationship()


class Entry(Base):
    """A line of the logbook. Never changed or deleted; a correction is another line."""

    __tablename__ = "entry"
    __table_args__ = (
        UniqueConstraint("cell_id", "sequence"),
        CheckConstraint("cycles IS NULL OR cycles > 0", name="cycles"),
        CheckConstraint("clear_seconds IS NULL OR clear_seconds >= 0", name="clear_seconds"),
        CheckConstraint("counter IS NULL OR counter >= 0", name="counter"),
        CheckConstraint(
            "(tablet_id IS NULL) = (tablet_number IS NULL)", name="tablet_number_with_tablet"
        ),
        Index(None, "shift_id", "sequence"),
        # A shift's first cycle, the rulings and the machine's readings are found without going
        # through all of the cycles.
        Index(None, "shift_id", "kind", "occurred_at"),
        Index(None, "cell_id", "kind", "sequence"),
        Index(None, "target"),
        # A tablet's last line; only lines that came from one pay for it.
        Index(
            None, "cell_id", "tablet_id", "sequence",
            sqlite_where=FROM_TABLET, postgresql_where=FROM_TABLET,
        ),
    )  # fmt: skip

    id: Mapped[int] = mapped_column(BigId, primary_key=True)
    client_id: Mapped[ClientId] = mapped_column(unique=True)
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"))
    sequence: Mapped[int] = mapped_column(BigInteger, comment="place in the cell's logbook, from 1")
    shift_id: Mapped[int | None] = mapped_column(ForeignKey("shift.id"))
    kind: Mapped[EntryKind] = mapped_column(choice(EntryKind, "kind"))
    occurred_at: Mapped[datetime]
    recorded_at: Mapped[datetime]
    person_id: Mapped[int | None] = mapped_column(
        ForeignKey("person.id"), comment="who saw it; empty: nobody wrote it down"
    )
    recorded_by_id: Mapped[int | None] = mapped_column(
        ForeignKey("person.id"), comment="who entered it; empty: from the command line"
    )
    opened_as: Mapped[str | None] = mapped_column(
        String(NAME_LIMIT), comment="label of the shift that the line opens"
    )
    stage: Mapped[Stage | None] = mapped_column(
        choice(Stage, "stage"), comment="stage of the shift that the line opens"
    )
    cycles: Mapped[int | None]
    cycle_number: Mapped[int | None] = mapped_column(
        comment="number in the shift of the (last) cycle; empty where the order is not known"
    )
    counter: Mapped[int | None] = mapped_column(BigInteger)
    counter_event: Mapped[CounterEvent | None] = mapped_column(
        choice(CounterEvent, "counter_event")
    )
    reading: Mapped[Reading | None] = mapped_column(choice(Reading, "reading"))
    clear_seconds: Mapped[int | None]
    condition: Mapped[Condition | None] = mapped_column(choice(Condition, "condition"))
    device_id: Mapped[int | None] = mapped_column(ForeignKey("device.id"))
    resets_evidence: Mapped[bool | None]
    failure_mode_id: Mapped[int | None] = mapped_column(
        ForeignKey("failure_mode.id"), comment="the mode that a ruling is about"
    )
    relevant: Mapped[bool | None]
    target: Mapped[str | None] = mapped_column(
        String(64),
        ForeignKey("entry.client_id"),
        comment="the entry that an undo or ruling is about",
    )
    text: Mapped[Text] = mapped_column(default="")
    reason: Mapped[Text] = mapped_column(default="")
    tablet_id: Mapped[int | None] = mapped_column(ForeignKey("tablet.id"))
    tablet_number: Mapped[int | None] = mapped_column(
        BigInteger, comment="the tablet's own running number: its lines in the order of its taps"
    )
    tablet_time: Mapped[datetime | None] = mapped_column(
        comment="the moment by the tablet's own clock, however wrong that is"
    )
    photo: Mapped[Sha256 | None] = mapped_column(comment="SHA-256 of a photo's bytes")
    cause: Mapped[RulingCause | None] = mapped_column(
        choice(RulingCause, "cause"), comment="where the engineer who ruled found the cause"
    )
    previous_hash: Mapped[Sha256]
    hash: Mapped[Sha256]

    modes: Mapped[list[FailureMode]] = relationship(
        secondary="entry_mode", order_by="FailureMode.id", viewonly=True
    )
    person: Mapped[Person | None] = relationship(foreign_keys=[person_id], viewonly=True)
    shift: Mapped[Shift | None] = relationship(viewonly=True)
    tablet: Mapped[Tablet | None] = relationship(viewonly=True)


class Photo(Base):
    """The bytes of a photo or file, under their hash; the logbook's lines name the hash."""

    __tablename__ = "photo"

    sha256: Mapped[Sha256] = mapped_column(primary_key=True)
    content: Mapped[bytes] = mapped_column(LargeBinary)
    filename: Mapped[Name | None] = mapped_column(comment="empty: a photo from a tablet")
    media_type: Mapped[Name] = mapped_column(default="image/jpeg")
    tablet_id: Mapped[int | None] = mapped_column(ForeignKey("tablet.id"))
    stored_at: Mapped[datetime]


class EntryMode(Base):
    """A failure mode seen on a failed cycle."""

    __tablename__ = "entry_mode"

    entry_id: Mapped[int] = mapped_column(BigId, ForeignKey("entry.id"), primary_key=True)
    failure_mode_id: Mapped[int] = mapped_column(ForeignKey("failure_mode.id"), primary_key=True)
