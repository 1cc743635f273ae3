"""The tables of what a shop sets up: people, cells, devices, requirements, trials."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    ForeignKey,
    ForeignKeyConstraint,
    String,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import Base, Name, PrimaryKey, Sha256, choice
from trialog.records.words import Effect, PlanKind, Role, Stage


class Person(Base):
    """Somebody who logs, engineers, approves or administers."""

    __tablename__ = "person"

    id: Mapped[PrimaryKey]
    name: Mapped[Name] = mapped_column(unique=True)
    role: Mapped[Role] = mapped_column(choice(Role, "role"))
    pin_hash: Mapped[str] = mapped_column(String(200))
    active: Mapped[bool] = mapped_column(default=True)
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
    good_by_machine: Mapped[bool | None] = mapped_column(
        comment="yes: as a shift closes, its good cycles are taken from the machine's own count"
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


def default_sign_roles() -> list[str]:
    """Return the roles that sign where nobody says otherwise."""
    return [Role.ENGINEER.value, Role.APPROVER.value]


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
    sign_roles: Mapped[list[str]] = mapped_column(
        JSON, default=default_sign_roles, comment="roles whose signatures a sign-off needs"
    )
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
    follows_id: Mapped[int | None] = mapped_column(
        ForeignKey("trial.id"), comment="the former trial that this one goes on from"
    )
    created_at: Mapped[datetime]
    created_by_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"))

    cell: Mapped[Cell] = relationship(viewonly=True)
    device: Mapped[Device | None] = relationship(
        viewonly=True, primaryjoin="foreign(Trial.device_id) == Device.id"
    )
    requirement: Mapped[Requirement] = relationship()
