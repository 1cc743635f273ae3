"""New lines for a logbook: up to 5,000 at once, each with an answer of its own."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from trialog.errors import InvalidValueError, TrialogError, UnknownNameError
from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Person
from trialog.records.sending import ADDED, REJECTED, Sent, Status, take_lines
from trialog.records.words import (
    Condition,
    CounterEvent,
    EntryKind,
    Reading,
    RulingCause,
    Scope,
    Stage,
)
from trialog.web import problems
from trialog.web.api.access import current_token
from trialog.web.api.bodies import Given
from trialog.web.api.finding import cell_or_404
from trialog.web.api.logbook import Logbook, about_logbook, require_unchanged
from trialog.web.api.operations import operation
from trialog.web.clock import now
from trialog.web.database import get_session
from trialog.web.errors import error_body_of, status_of
from trialog.web.logging.parsing import parse_line
from trialog.web.metrics.gathering import note_refused
from trialog.web.noting import note_after

MOST_LINES = 5000
LARGEST_BATCH = 8 * 1024 * 1024
"""Bytes: 5,000 lines, most of them with a note."""


class NewLine(BaseModel):
    """A line for the logbook. Which fields a kind takes is told in the help on the API."""

    model_config = ConfigDict(extra="forbid")

    client_id: str = Field(
        pattern=r"^[A-Za-z0-9_.:-]{1,64}$",
        description="Made by whoever sends it. Sent again with the same content: nothing changes.",
    )
    kind: EntryKind = Field(description="Of what a machine says by itself, see the counter.")
    shift: str | None = Field(None, description="The shift's label; a revision has none.")
    time: datetime | None = Field(None, description="When it happened, with zone; null: now.")
    person: int | None = Field(None, description="Who saw it; null: nobody wrote it down.")
    text: str | None = None
    reason: str | None = None
    stage: Stage | None = None
    counter: int | None = None
    counter_event: CounterEvent | None = None
    mismatch_accepted: bool | None = None
    cycles: int | None = None
    cycle_number: int | None = None
    modes: list[int] | None = None
    clear_seconds: int | None = None
    condition: Condition | None = None
    reading: Reading | None = None
    target: str | None = Field(None, description="The client_id of the line that it is about.")
    photo: str | None = None
    failure_mode: int | None = None
    relevant: bool | None = None
    cause: RulingCause | None = None
    device: int | None = None
    resets_evidence: bool | None = None


class NewLines(Given):
    """Lines for a cell's logbook."""

    entries: list[dict[str, Any]] = Field(
        min_length=1,
        max_length=MOST_LINES,
        description="Each line stands for itself: one of another form is rejected, the rest taken.",
        json_schema_extra={
            "items": {
                "anyOf": [{"$ref": "#/components/schemas/NewLine"}, {"type": "object"}],
            }
        },
    )


class WrongValue(BaseModel):
    """A value that breaks a rule."""

    field: str | None
    rule: str | None
    value: str | None


class LineProblem(BaseModel):
    """Why a line was rejected: a problem document (RFC 9457)."""

    type: str
    title: str
    status: int
    detail: str
    errors: list[WrongValue] | None = None


class TakenLine(BaseModel):
    """What became of a line."""

    client_id: str | None = Field(description="null: the line has none that can be read.")
    status: Status
    sequence: int | None = Field(description="Its place in the logbook; null: rejected.")
    cycle_number: int | None
    problem: LineProblem | None = Field(description="Why it was rejected.")


class TakenLines(BaseModel):
    """What became of each line, in their order, and how the logbook stands now."""

    entries: list[TakenLine]
    logbook: Logbook


@operation(
    "POST",
    "/cells/<int:cell_id>/entries",
    scope=Scope.LOG,
    tag="Logbook",
    gives=TakenLines,
    takes=NewLines,
    problems=(404, 409, 412),
    largest_body=LARGEST_BATCH,
)
def add_entries(cell_id: int, body: NewLines) -> TakenLines:
    """Write lines into a cell's logbook.

    All that can be written is written in one transaction; a line that breaks a rule is rejected
    and stops no other. Sending lines again is safe: whatever is there already is `repeated`. The
    lines are entered by whoever answers for the client, and may be what that person may write.
    With If-Match nothing is written unless the logbook is as its entity tag says. The body must
    not be compressed.
    """
    cell, session = cell_or_404(cell_id), get_session()
    read = [_read(line) for line in body.entries]
    entries = [one for one in read if isinstance(one, NewEntry)]
    with unit_of_work(session):
        session.refresh(cell, with_for_update=True)
        require_unchanged(cell)
        token = current_token()
        sent = take_lines(session, cell, entries, token=token, now=now())
        actor, logbook = token.client.responsible, about_logbook(cell)
        answers = iter([_about(one) for one in sent])
    _note(cell, entries, sent, actor)
    note_refused(sum(one.status == REJECTED for one in sent) + len(read) - len(entries))
    told = [
        next(answers) if isinstance(one, NewEntry) else _rejected(_id_of(line), one)
        for line, one in zip(body.entries, read, strict=True)
    ]
    return TakenLines(entries=told, logbook=logbook)


def _read(line: dict[str, Any]) -> NewEntry | TrialogError:
    try:
        return parse_line(line)
    except InvalidValueError as error:
        return error


def _note(cell: Cell, entries: Sequence[NewEntry], sent: Sequence[Sent], actor: Person) -> None:
    """Note what the lines that are new made of the verdicts of the cell's trials."""
    new = [line.kind for line, one in zip(entries, sent, strict=True) if one.status == ADDED]
    if new:
        note_after(cell, new, actor=actor)


def _about(one: Sent) -> TakenLine:
    if one.error is not None:
        return _rejected(one.client_id, one.error)
    return TakenLine(
        client_id=one.client_id,
        status=one.status,
        sequence=one.sequence,
        cycle_number=one.cycle_number,
        problem=None,
    )


def _rejected(client_id: str | None, error: TrialogError) -> TakenLine:
    # A failure mode that is not known is a value to mend, not an address that leads nowhere.
    status = 422 if isinstance(error, UnknownNameError) else status_of(error)
    told = problems.problem_of(status, error_body_of(error)["error"])
    return TakenLine(
        client_id=client_id,
        status=REJECTED,
        sequence=None,
        cycle_number=None,
        problem=LineProblem(**told),
    )


def _id_of(line: dict[str, Any]) -> str | None:
    """Return a line's id as far as it can be repeated."""
    given = line.get("client_id")
    return given if isinstance(given, str) and len(given) <= 64 else None
