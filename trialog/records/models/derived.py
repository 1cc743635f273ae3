"""What is derived from the logbook: revisions, rollups, the places of failures."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column, relationship

from trialog.records.base import Base, BigId, PrimaryKey, Text

if TYPE_CHECKING:
    from trialog.records.models.setup import Device


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
