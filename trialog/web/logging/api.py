"""The JSON side of logging: lines in, how the shift stands out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask import Response, jsonify
from flask_wtf.csrf import generate_csrf
from sqlalchemy.orm import Session

from trialog.errors import UnknownNameError
from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Person, Shift
from trialog.records.people import Action
from trialog.records.words import EntryKind
from trialog.web.clock import now
from trialog.web.database import get_or_404, get_session
from trialog.web.errors import error_body_of, status_of
from trialog.web.identity import current_person
from trialog.web.logging import bp
from trialog.web.logging.bodies import read_json
from trialog.web.logging.parsing import parse_lines
from trialog.web.logging.refusing import RefusedLineError
from trialog.web.logging.running import as_json, running_state
from trialog.web.logging.taking import ADDED, Taken, shift_named, take
from trialog.web.metrics.gathering import note_refused
from trialog.web.noting import note_after
from trialog.web.security import allowed

LARGEST_BATCH = 512 * 1024
"""Bytes; a batch of the page's own size with the longest notes fits several times."""


@bp.post("/api/cells/<int:cell_id>/entries")
@allowed(Action.LOG)
def add_entries(cell_id: int) -> tuple[Response, int] | Response:
    """Take lines for a cell's logbook: all of them, or none and the client id at fault."""
    cell, person, moment = get_or_404(Cell, cell_id), current_person(), now()
    session = get_session()
    try:
        entries = parse_lines(read_json(LARGEST_BATCH))
        with unit_of_work(session):
            taken = take(session, cell, entries, actor=person, now=moment)
    except RefusedLineError as error:
        return _refused(error)
    note_after(cell, _added(entries, taken), actor=person)
    shift = shift_named(session, cell, entries)
    state = None if shift is None else as_json(running_state(session, shift))
    return jsonify(entries=[dict(vars(line)) for line in taken], state=state, **_about(person))


@bp.get("/api/shifts/<int:shift_id>/state")
@allowed(Action.READ)
def state(shift_id: int) -> Response:
    """Return how a shift stands, and what a program needs to go on sending."""
    session: Session = get_session()
    shift = get_or_404(Shift, shift_id)
    standing = as_json(running_state(session, shift))
    return jsonify(state=standing, csrf_token=generate_csrf(), **_about(current_person()))


def _added(entries: Sequence[NewEntry], taken: Sequence[Taken]) -> list[EntryKind]:
    """Return the kinds of the lines that were not there before."""
    return [entry.kind for entry, one in zip(entries, taken, strict=True) if one.status == ADDED]


def _about(person: Person) -> dict[str, Any]:
    """Return who is signed in and the server's clock: tablets' own clocks are often wrong."""
    return {"person": {"id": person.id, "name": person.name}, "now": now().isoformat()}


def _refused(error: RefusedLineError) -> tuple[Response, int]:
    note_refused(1)
    body: dict[str, dict[str, Any]] = dict(error_body_of(error.error))
    body["error"] = {**body["error"], "client_id": error.client_id}
    # An unknown mode is a value to mend, not an address that leads nowhere.
    unknown = isinstance(error.error, UnknownNameError)
    return jsonify(body), 422 if unknown else status_of(error.error)
