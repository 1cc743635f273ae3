"""The logbook: how long it is, its lines page by page, and new lines for it."""

from __future__ import annotations

from datetime import datetime
from operator import attrgetter
from typing import Literal

from flask import request
from pydantic import BaseModel, Field
from werkzeug.exceptions import PreconditionFailed

from trialog.errors import InvalidValueError
from trialog.records.base import LARGEST_ID
from trialog.records.models import Cell, Entry
from trialog.records.pages import entries_beyond, undone_among
from trialog.records.words import (
    Condition,
    CounterEvent,
    EntryKind,
    Reading,
    RulingCause,
    Scope,
    Stage,
)
from trialog.web.api.cells import NEXT
from trialog.web.api.cursors import ListQuery, page
from trialog.web.api.finding import cell_or_404, shift_or_404
from trialog.web.api.operations import operation
from trialog.web.database import get_session


class Logbook(BaseModel):
    """How long a cell's logbook is, and its newest hash. Its entity tag is good for If-Match."""

    cell: int
    length: int = Field(description="How many lines it holds; also the place of the newest one.")
    head: str = Field(
        description="The newest line's hash, which stands for all before; empty: none."
    )

    @property
    def entity_tag(self) -> str:
        """Return the entity tag: two logbooks of one tag hold the same lines."""
        return f"{self.length}-{self.head[:32]}"


class EntryOut(BaseModel):
    """A line of the logbook. What does not belong to its kind is null."""

    sequence: int = Field(description="Its place in the cell's logbook, from 1.")
    client_id: str = Field(description="The id that whoever sent it made.")
    kind: EntryKind
    shift: str | None = Field(description="The shift's label.")
    shift_id: int | None
    time: datetime = Field(description="When it happened.")
    recorded_at: datetime = Field(description="When the server had it.")
    person: int | None = Field(description="Who saw it; null: nobody wrote it down.")
    recorded_by: int | None = Field(description="Who entered it; null: the command line.")
    stage: Stage | None
    cycles: int | None
    cycle_number: int | None
    modes: list[int] = Field(description="Numbers of the failure modes that were seen.")
    counter: int | None
    counter_event: CounterEvent | None
    reading: Reading | None
    clear_seconds: int | None
    condition: Condition | None
    device: int | None
    resets_evidence: bool | None
    failure_mode: int | None
    relevant: bool | None
    cause: RulingCause | None
    target: str | None
    photo: str | None
    text: str
    reason: str
    tablet: int | None
    undone: bool = Field(description="Whether a later line takes it back.")
    hash: str


class EntryPage(BaseModel):
    """A page of a logbook."""

    items: list[EntryOut]
    next: str | None = NEXT


class EntryQuery(ListQuery):
    """Which lines of a logbook are wanted."""

    order: Literal["oldest", "newest"] = Field("oldest", description="Which come first.")
    shift: int | None = Field(None, ge=1, le=LARGEST_ID, description="Those of one shift, by id.")
    kind: EntryKind | None = Field(None, description="Those of one kind.")


@operation(
    "GET",
    "/cells/<int:cell_id>/logbook",
    scope=Scope.READ,
    tag="Logbook",
    gives=Logbook,
    problems=(404,),
)
def show_logbook(cell_id: int) -> Logbook:
    """Say how long a cell's logbook is.

    Send its entity tag as If-Match with new lines, and they are refused if somebody wrote
    meanwhile; as If-None-Match here, and the answer is 304 while nothing is new.
    """
    return about_logbook(cell_or_404(cell_id))


@operation(
    "GET",
    "/cells/<int:cell_id>/entries",
    scope=Scope.READ,
    tag="Logbook",
    gives=EntryPage,
    query=EntryQuery,
    problems=(404,),
)
def list_entries(cell_id: int, query: EntryQuery) -> EntryPage:
    """List the lines of a cell's logbook.

    They come in the order in which they were written, undone ones too. A page takes as long in a
    logbook of fifty million lines as in one of fifty. Lines are never changed, so whoever has read
    up to a place reads on from there.
    """
    cell, session = cell_or_404(cell_id), get_session()
    if query.shift is not None and shift_or_404(query.shift).cell_id != cell.id:
        raise InvalidValueError("shift", "be one of this cell", query.shift)
    of = f"{query.order} {cell_id} {query.shift or ''} {query.kind or ''}"
    rows = entries_beyond(
        session, cell.id, query.after(of), query.limit + 1,
        newest_first=query.order == "newest", shift_id=query.shift, kind=query.kind,
    )  # fmt: skip
    shown, following = page(of, rows, query.limit, attrgetter("sequence"))
    undone = undone_among(session, [entry.client_id for entry in shown])
    return EntryPage(
        items=[_about_entry(entry, entry.client_id in undone) for entry in shown],
        next=following,
    )


def about_logbook(cell: Cell) -> Logbook:
    """Return how a cell's logbook stands."""
    return Logbook(cell=cell.id, length=cell.chain_length, head=cell.chain_head)


def require_unchanged(cell: Cell) -> None:
    """Refuse to write where If-Match names another state of the logbook. The cell must be locked.

    Raises
    ------
    PreconditionFailed
        If it does.
    """
    tag = about_logbook(cell).entity_tag
    if request.headers.get("If-Match") is not None and not request.if_match.contains(tag):
        raise PreconditionFailed(
            f"The logbook holds {cell.chain_length} lines by now, and is not the one that "
            "If-Match names. Nothing was written."
        )


def _about_entry(entry: Entry, undone: bool) -> EntryOut:
    return EntryOut(
        sequence=entry.sequence,
        client_id=entry.client_id,
        kind=entry.kind,
        shift=None if entry.shift is None else entry.shift.label,
        shift_id=entry.shift_id,
        time=entry.occurred_at,
        recorded_at=entry.recorded_at,
        person=entry.person_id,
        recorded_by=entry.recorded_by_id,
        stage=entry.stage,
        cycles=entry.cycles,
        cycle_number=entry.cycle_number,
        modes=[mode.id for mode in entry.modes],
        counter=entry.counter,
        counter_event=entry.counter_event,
        reading=entry.reading,
        clear_seconds=entry.clear_seconds,
        condition=entry.condition,
        device=entry.device_id,
        resets_evidence=entry.resets_evidence,
        failure_mode=entry.failure_mode_id,
        relevant=entry.relevant,
        cause=entry.cause,
        target=entry.target,
        photo=entry.photo,
        text=entry.text,
        reason=entry.reason,
        tablet=entry.tablet_id,
        undone=undone,
        hash=entry.hash,
    )
