"""Cells with their devices, failure modes and requirements; people; shifts."""

from __future__ import annotations

from datetime import datetime
from operator import attrgetter

from pydantic import BaseModel, Field

from trialog.records.models import Cell, Person, Requirement, Shift
from trialog.records.pages import cells_after, people_after, requirements_of, shifts_after
from trialog.records.words import CounterEvent, Effect, Role, Scope, Stage
from trialog.web.api.access import current_client
from trialog.web.api.cursors import ListQuery, NamedQuery, page
from trialog.web.api.finding import cell_or_404, shift_or_404
from trialog.web.api.operations import operation
from trialog.web.database import get_session

NEXT = Field(description="Cursor of the next page; null: this is the last one.")


class ModeOut(BaseModel):
    """A failure mode: what can go wrong with a device."""

    id: int
    name: str
    effect: Effect


class DeviceOut(BaseModel):
    """A dedicated mechanism under trial."""

    id: int
    name: str
    modes: list[ModeOut]


class CellOut(BaseModel):
    """One machine with its operation."""

    id: int
    name: str
    machine: str
    part: str
    operation: str
    planned_cycle_seconds: float
    counter_modulus: int | None = Field(
        description="The machine counter restarts at 0 after this many cycles; null: never."
    )
    created_at: datetime
    devices: list[DeviceOut]


class RequirementOut(BaseModel):
    """What "ready" means for a cell. Rates are per cycle, for the whole cell."""

    id: int
    name: str
    stretch_hours: float
    cycle_seconds: float
    chance: float
    confidence: float
    design_rate: float
    min_shifts: int
    min_operators: int
    min_cold_starts: int
    min_material_lots: int
    min_tool_changes: int
    sign_roles: list[Role]
    created_at: datetime


class CellPage(BaseModel):
    """A page of cells."""

    items: list[CellOut]
    next: str | None = NEXT


class RequirementList(BaseModel):
    """A cell's requirements."""

    items: list[RequirementOut]


class PersonOut(BaseModel):
    """Somebody whom lines may name."""

    id: int
    name: str
    role: Role
    active: bool


class PersonPage(BaseModel):
    """A page of people."""

    items: list[PersonOut]
    next: str | None = NEXT


class ShiftOut(BaseModel):
    """One crew's stretch of logging."""

    id: int
    cell: int
    label: str
    stage: Stage
    opened_at: datetime
    opening_counter: int | None
    closed_at: datetime | None = Field(description="null: it is open.")
    closing_counter: int | None
    counter_event: CounterEvent | None


class ShiftPage(BaseModel):
    """A page of shifts."""

    items: list[ShiftOut]
    next: str | None = NEXT


@operation("GET", "/cells", scope=Scope.READ, tag="Cells", gives=CellPage, query=NamedQuery)
def list_cells(query: NamedQuery) -> CellPage:
    """List the cells.

    Each comes with its devices and their failure modes. A client for one cell sees that one.
    """
    only = current_client().cell_id
    after = query.after("cells") or 0
    rows = cells_after(get_session(), after, query.limit + 1, only=only, name=query.name)
    shown, following = page("cells", rows, query.limit, attrgetter("id"))
    return CellPage(items=[_about_cell(cell) for cell in shown], next=following)


@operation(
    "GET", "/cells/<int:cell_id>", scope=Scope.READ, tag="Cells", gives=CellOut, problems=(404,)
)
def show_cell(cell_id: int) -> CellOut:
    """Return a cell."""
    return _about_cell(cell_or_404(cell_id))


@operation(
    "GET",
    "/cells/<int:cell_id>/requirements",
    scope=Scope.READ,
    tag="Cells",
    gives=RequirementList,
    problems=(404,),
)
def list_requirements(cell_id: int) -> RequirementList:
    """List what "ready" means for a cell."""
    rows = requirements_of(get_session(), cell_or_404(cell_id).id)
    return RequirementList(items=[_about_requirement(row) for row in rows])


@operation("GET", "/people", scope=Scope.READ, tag="People", gives=PersonPage, query=ListQuery)
def list_people(query: ListQuery) -> PersonPage:
    """List the people whom lines may name."""
    rows = people_after(get_session(), query.after("people") or 0, query.limit + 1)
    shown, following = page("people", rows, query.limit, attrgetter("id"))
    return PersonPage(items=[_about_person(person) for person in shown], next=following)


@operation(
    "GET",
    "/cells/<int:cell_id>/shifts",
    scope=Scope.READ,
    tag="Shifts",
    gives=ShiftPage,
    query=ListQuery,
    problems=(404,),
)
def list_shifts(cell_id: int, query: ListQuery) -> ShiftPage:
    """List a cell's shifts, in the order in which the records came to know them."""
    cell, of = cell_or_404(cell_id), f"shifts {cell_id}"
    rows = shifts_after(get_session(), cell.id, query.after(of) or 0, query.limit + 1)
    shown, following = page(of, rows, query.limit, attrgetter("id"))
    return ShiftPage(items=[_about_shift(shift) for shift in shown], next=following)


@operation(
    "GET", "/shifts/<int:shift_id>", scope=Scope.READ, tag="Shifts", gives=ShiftOut, problems=(404,)
)
def show_shift(shift_id: int) -> ShiftOut:
    """Return a shift."""
    return _about_shift(shift_or_404(shift_id))


def _about_cell(cell: Cell) -> CellOut:
    return CellOut.model_validate(cell, from_attributes=True)


def _about_shift(shift: Shift) -> ShiftOut:
    return ShiftOut(
        id=shift.id,
        cell=shift.cell_id,
        label=shift.label,
        stage=shift.stage,
        opened_at=shift.opened_at,
        opening_counter=shift.opening_counter,
        closed_at=shift.closed_at,
        closing_counter=shift.closing_counter,
        counter_event=shift.counter_event,
    )


def _about_requirement(row: Requirement) -> RequirementOut:
    return RequirementOut.model_validate(row, from_attributes=True)


def _about_person(person: Person) -> PersonOut:
    return PersonOut.model_validate(person, from_attributes=True)
