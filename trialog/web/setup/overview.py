"""What the page of a cell shows, and what is left to set up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records import queries
from trialog.records.models import Cell, Requirement, Revision, Shift
from trialog.records.parking import count_parked
from trialog.reports.standings import FormerTrial, TrialStanding
from trialog.web.clock import zone
from trialog.web.remembering import standing_now

SHIFTS_SHOWN = 25


@dataclass(frozen=True)
class NextStep:
    """What to set up next: words, the words of the button, and its endpoint with arguments."""

    words: str
    button: str
    endpoint: str
    arguments: dict[str, int]


@dataclass(frozen=True)
class Overview:
    """A cell with everything that belongs to it."""

    cell: Cell
    trials: Sequence[TrialStanding]
    former: Sequence[FormerTrial]
    requirements: Sequence[Requirement]
    shifts: Sequence[Shift]
    older_shifts: int
    all_shifts: bool
    open_shift: Shift | None
    revisions: Sequence[Revision]
    next_step: NextStep | None
    parked: int


def build_overview(session: Session, cell: Cell, *, all_shifts: bool) -> Overview:
    """Gather what the page of a cell shows: the newest shifts, or all of them."""
    found = select(Requirement).where(Requirement.cell_id == cell.id).order_by(Requirement.id)
    requirements = session.scalars(found).all()
    stood = standing_now()(session, cell, zone())
    shifts = list(reversed(queries.shifts_of(session, cell)))
    return Overview(
        cell=cell,
        trials=stood.trials,
        former=[former for stage in stood.stages for former in stage.former],
        requirements=requirements,
        shifts=shifts if all_shifts else shifts[:SHIFTS_SHOWN],
        older_shifts=max(0, len(shifts) - SHIFTS_SHOWN),
        all_shifts=all_shifts,
        open_shift=queries.open_shift(session, cell),
        revisions=list(reversed(queries.revisions_in_order(session, cell.id))),
        next_step=next_step(cell, requirements, bool(stood.stages)),
        parked=count_parked(session, cell.id),
    )


def next_step(cell: Cell, requirements: Sequence[Requirement], has_trials: bool) -> NextStep | None:
    """Return what is missing before the first cycle can count."""
    if not cell.devices:
        return NextStep(
            "Name the devices under trial and what can go wrong with each.",
            "Add a device", "setup.new_device", {"cell_id": cell.id},
        )  # fmt: skip
    without = next((device for device in cell.devices if not device.modes), None)
    if without is not None:
        return NextStep(
            f"Say what can go wrong with {without.name}: without a failure mode nobody can log "
            "a miss of it.",
            "Add a failure mode", "setup.new_mode", {"device_id": without.id},
        )  # fmt: skip
    if not requirements:
        return NextStep(
            "Say what ready means: how long the cell must run alone, and how surely.",
            "State the requirement", "setup.new_requirement", {"cell_id": cell.id},
        )  # fmt: skip
    if not has_trials:
        return NextStep(
            "Plan a trial before the first counted cycle; the plan stays fixed.",
            "Plan a trial", "setup.new_trial", {"requirement_id": requirements[-1].id},
        )  # fmt: skip
    return None
