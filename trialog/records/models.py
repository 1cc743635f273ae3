"""The tables. The logbook (Entry) is the truth; shifts, revisions and rollups derive from it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    String,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import NAME_LIMIT, Base, ClientId, Name, PrimaryKey, Sha256, Text, choice
from trialog.records.words import (
    AcknowledgementKind,
    Condition,
    CounterEvent,
    Effect,
    EntryKind,
    PlanKind,
    Reading,
    Role,
    Stage,
)

BigId = BigInteger().with_variant(Integer, "sqlite")


class Person(Base):
    """Somebody who logs, engineers, approves or administers."""

    __tablename__ = "person"

    id: Mapped[PrimaryKey]
    name: Mapped[Name] = mapped_column(unique=True)
    role: Mapped[Role] = mapped_column(choice(Role, "role"))
    pin_hash: Mapped[str] = mapped_column(String(200))
    active: Mapped[bool] = mapped_column(default=True)
    failed_tries: Mapped[int] = mapped_column(default=0)
    locked_until: Mapped[datetime | None]
    created_at: Mapped[datetime]


class Cell(Base):
    """One machine with its operation."""

    __tablename__ = "cell"
    __table_args__ = (
        CheckConstraint("planned_cycle_seconds > 0", name="cycle_time_positive"),
        CheckConstraint("counter_modulus IS NULL OR counter_modulus > 1", name="modulus"),
    )

    id: Mapped[PrimaryKey]
    name: Mapped[Name] = mapped_column(unique=True)
    machine: Mapped[Name]
    part: Mapped[Name]
    operation: Mapped[Name]
    planned_cycle_seconds: Mapped[float]
    counter_modulus: Mapped[int | None] = mapped_column(
        BigInteger, comment="the machine counter restarts at 0 after this many cycles"
    )
    created_at: Mapped[datetime]
    chain_length: Mapped[int] = mapped_column(
        default=0, comment="entries in this cell's logbook; the row is locked while one is added"
    )
    chain_head: Mapped[Sha256] = mapped_column(default="", comment="hash of the newest entry")

    devices: Mapped[list[Device]] = relationship(
        order_by="Device.id", back_populates="cell", viewonly=True
    )
    modes: Mapped[list[FailureMode]] = relationship(order_by="FailureMode.id", viewonly=True)


class Device(Base):
    """A dedicated mechanism under trial on a cell."""

    __tablename__ = "device"
    __table_args__ = (UniqueConstraint("cell_id", "name"), UniqueConstraint("id", "cell_id"))

    id: Mapped[PrimaryKey]
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"))
    name: Mapped[Name]
    created_at: Mapped[datetime]

    cell: Mapped[Cell] = relationship(back_populates="devices")
    modes: Mapped[list[FailureMode]] = relationship(order_by="FailureMode.id", viewonly=True)


class FailureMode(Base):
    """What can go wrong with a device. Its name is unique on the cell, so that one tap or one
    column of a file says which device it belongs to."""

    __tablename__ = "failure_mode"
    __table_args__ = (
        UniqueConstraint("cell_id", "name"),
        ForeignKeyConstraint(["device_id", "cell_id"], ["device.id", "device.cell_id"]),
    )

    id: Mapped[PrimaryKey]
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"))
    device_id: Mapped[int]
    name: Mapped[Name]
    effect: Mapped[Effect] = mapped_column(choice(Effect, "effect"))
    created_at: Mapped[datetime]

    device: Mapped[Device] = relationship(viewonly=True)


class Requirement(Base):
    """What "ready" means for a cell. Rates are for the whole cell; trials take their share."""

    __tablename__ = "requirement"
    __table_args__ = (UniqueConstraint("cell_id", "name"),)

    id: Mapped[PrimaryKey]
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"))
    name: Mapped[Name]
    stretch_hours: Mapped[float]
    cycle_seconds: Mapped[float] = mapped_column(
        comment="the planned cycle time when this was fixed"
    )
    chance: Mapped[float]
    confidence: Mapped[float]
    design_rate: Mapped[float]
    min_shifts: Mapped[int] = mapped_column(default=0)
    min_operators: Mapped[int] = mapped_column(default=0)
    min_cold_starts: Mapped[int] = mapped_column(default=0)
    min_material_lots: Mapped[int] = mapped_column(default=0)
    min_tool_changes: Mapped[int] = mapped_column(default=0)
    created_at: Mapped[datetime]


class Trial(Base):
    """One device's, or the whole cell's, run against one requirement and plan."""

    __tablename__ = "trial"
    __table_args__ = (
        ForeignKeyConstraint(["device_id", "cell_id"], ["device.id", "device.cell_id"]),
        CheckConstraint("share > 0 AND share <= 1", name="share"),
        CheckConstraint("plan_cycles > 0 AND plan_allowed >= 0", name="plan"),
        CheckConstraint(
            "(plan_kind = 'sequential' AND plan_go_start IS NOT NULL "
            "AND plan_no_go_start IS NOT NULL AND plan_cycles_per_failure IS NOT NULL "
            "AND good_pass IS NOT NULL) "
            "OR (plan_kind <> 'sequential' AND plan_go_start IS NULL "
            "AND plan_no_go_start IS NULL AND plan_cycles_per_failure IS NULL)",
            name="plan_lines",
        ),
    )

    id: Mapped[PrimaryKey]
    name: Mapped[Name] = mapped_column(unique=True)
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"))
    device_id: Mapped[int | None] = mapped_column(comment="empty: the cell as a whole")
    requirement_id: Mapped[int] = mapped_column(ForeignKey("requirement.id"))
    stage: Mapped[Stage] = mapped_column(choice(Stage, "stage"))
    share: Mapped[float]
    plan_kind: Mapped[PlanKind] = mapped_column(choice(PlanKind, "plan_kind"))
    plan_cycles: Mapped[int]
    plan_allowed: Mapped[int]
    plan_go_start: Mapped[float | None]
    plan_no_go_start: Mapped[float | None]
    plan_cycles_per_failure: Mapped[float | None]
    good_pass: Mapped[float | None]
    begins_at: Mapped[datetime | None] = mapped_column(
        comment="shifts opened before this do not count; empty: all of the stage count"
    )
    created_at: Mapped[datetime]
    created_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))

    cell: Mapped[Cell] = relationship(viewonly=True)
    device: Mapped[Device | None] = relationship(
        viewonly=True, primaryjoin="foreign(Trial.device_id) == Device.id"
    )
    requirement: Mapped[Requirement] = relationship()


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

    cell: Mapped[Cell] = relationship()


class Entry(Base):
    """A line of the logbook. Never changed or deleted; a correction is another line."""

    __tablename__ = "entry"
    __table_args__ = (
        UniqueConstraint("cell_id", "sequence"),
        CheckConstraint("cycles IS NULL OR cycles > 0", name="cycles"),
        CheckConstraint("clear_seconds IS NULL OR clear_seconds >= 0", name="clear_seconds"),
        CheckConstraint("counter IS NULL OR counter >= 0", name="counter"),
        Index(None, "shift_id", "sequence"),
        Index(None, "cell_id", "kind"),
        Index(None, "target"),
    )

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
    previous_hash: Mapped[Sha256]
    hash: Mapped[Sha256]

    modes: Mapped[list[FailureMode]] = relationship(
        secondary="entry_mode", order_by="FailureMode.id", viewonly=True
    )
    person: Mapped[Person | None] = relationship(foreign_keys=[person_id], viewonly=True)
    shift: Mapped[Shift | None] = relationship(viewonly=True)


class EntryMode(Base):
    """A failure mode seen on a failed cycle."""

    __tablename__ = "entry_mode"

    entry_id: Mapped[int] = mapped_column(BigId, ForeignKey("entry.id"), primary_key=True)
    failure_mode_id: Mapped[int] = mapped_column(ForeignKey("failure_mode.id"), primary_key=True)


class Revision(Base):
    """A device's build state, in the cell's order of changes. Derived from the logbook.

    Each cell has one more, without device or entry: the state before any recorded change.
    """

    __tablename__ = "revision"

    id: Mapped[PrimaryKey]
    cell_id: Mapped[int] = mapped_column(ForeignKey("cell.id"))
    device_id: Mapped[int | None] = mapped_column(ForeignKey("device.id"))
    entry_id: Mapped[int | None] = mapped_column(BigId, ForeignKey("entry.id"), unique=True)
    effective_at: Mapped[datetime | None]
    what: Mapped[Text]
    resets_evidence: Mapped[bool]
    reason: Mapped[Text] = mapped_column(default="")
    withdrawn: Mapped[bool] = mapped_column(default=False)

    device: Mapped[Device | None] = relationship(viewonly=True)


class CellRollup(Base):
    """Derived: cycles of one shift under one revision, for the cell as a whole."""

    __tablename__ = "cell_rollup"

    shift_id: Mapped[int] = mapped_column(ForeignKey("shift.id"), primary_key=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revision.id"), primary_key=True)
    logged: Mapped[int]
    cycles: Mapped[int]
    failures: Mapped[int]
    no_tests: Mapped[int]


class DeviceRollup(Base):
    """Derived: counted cycles and failures of one device in one shift under one revision."""

    __tablename__ = "device_rollup"

    shift_id: Mapped[int] = mapped_column(ForeignKey("shift.id"), primary_key=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revision.id"), primary_key=True)
    device_id: Mapped[int] = mapped_column(ForeignKey("device.id"), primary_key=True)
    cycles: Mapped[int]
    failures: Mapped[int]
    no_tests: Mapped[int]


class ModeRollup(Base):
    """Derived: how often one failure mode was seen in one shift under one revision."""

    __tablename__ = "mode_rollup"

    shift_id: Mapped[int] = mapped_column(ForeignKey("shift.id"), primary_key=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revision.id"), primary_key=True)
    failure_mode_id: Mapped[int] = mapped_column(ForeignKey("failure_mode.id"), primary_key=True)
    relevant: Mapped[int]
    non_relevant: Mapped[int]
    unruled: Mapped[int] = mapped_column(comment="of the relevant: those nobody has ruled on")


class OperatorRollup(Base):
    """Derived: who logged how many cycles in one shift under one revision."""

    __tablename__ = "operator_rollup"

    shift_id: Mapped[int] = mapped_column(ForeignKey("shift.id"), primary_key=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revision.id"), primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), primary_key=True)
    logged: Mapped[int]
    failed: Mapped[int]


class FailurePosition(Base):
    """Derived: where in its shift and revision a failed cycle stands, for one mode on it."""

    __tablename__ = "failure_position"

    entry_id: Mapped[int] = mapped_column(BigId, ForeignKey("entry.id"), primary_key=True)
    failure_mode_id: Mapped[int] = mapped_column(ForeignKey("failure_mode.id"), primary_key=True)
    shift_id: Mapped[int] = mapped_column(ForeignKey("shift.id"), index=True)
    revision_id: Mapped[int] = mapped_column(ForeignKey("revision.id"))
    logged_before: Mapped[int | None] = mapped_column(
        comment="cycles logged before it in the shift and revision; empty: order not known"
    )
    relevant: Mapped[bool]
    ruled: Mapped[bool]


class Acknowledgement(Base):
    """A written statement that somebody has taken note of something a GO depends on."""

    __tablename__ = "acknowledgement"

    id: Mapped[PrimaryKey]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id"), index=True)
    kind: Mapped[AcknowledgementKind] = mapped_column(
        choice(AcknowledgementKind, "acknowledgement_kind")
    )
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    text: Mapped[Text]
    chain_length: Mapped[int] = mapped_column(comment="the logbook's length when it was written")
    created_at: Mapped[datetime]

    person: Mapped[Person] = relationship()


class SignOff(Base):
    """A named person's acceptance of a frozen verdict."""

    __tablename__ = "sign_off"

    id: Mapped[PrimaryKey]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id"), index=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    person_name: Mapped[Name]
    role: Mapped[Role] = mapped_column(choice(Role, "role"))
    statement: Mapped[Text]
    signed_at: Mapped[datetime]
    chain_length: Mapped[int]
    chain_head: Mapped[Sha256]
    document: Mapped[dict[str, Any]] = mapped_column(JSON, comment="the verdict's frozen inputs")
    document_hash: Mapped[Sha256]


class AuditEvent(Base):
    """Who did what when; written in the transaction that did it."""

    __tablename__ = "audit_event"

    id: Mapped[int] = mapped_column(BigId, primary_key=True)
    at: Mapped[datetime]
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))
    action: Mapped[str] = mapped_column(String(60))
    subject: Mapped[str] = mapped_column(String(60))
    subject_id: Mapped[int | None] = mapped_column(BigInteger)
    details: Mapped[dict[str, Any]] = mapped_column(JSON)


class ImportDraft(Base):
    """A file that somebody is looking at before importing it."""

    __tablename__ = "import_draft"

    id: Mapped[PrimaryKey]
    trial_id: Mapped[int] = mapped_column(ForeignKey("trial.id"))
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    filename: Mapped[Name]
    content: Mapped[bytes] = mapped_column(LargeBinary)
    created_at: Mapped[datetime]
