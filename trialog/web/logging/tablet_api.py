"""The tablets' JSON side: enrol, take along what logging needs, sign in, send lines."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from logging import WARNING
from typing import Any, TypeVar

from flask import Response, jsonify, request
from sqlalchemy.orm import Session
from werkzeug.exceptions import Unauthorized

from trialog.errors import InvalidValueError, TrialogError
from trialog.evidence import PLAIN
from trialog.records.base import LARGEST_ID
from trialog.records.database import unit_of_work
from trialog.records.intake import TakenIn, take_in
from trialog.records.models import Cell, Person
from trialog.records.people import Action, require
from trialog.records.pins import check_pin, tablet_place, waits_until
from trialog.records.queries import open_shift
from trialog.records.tablets import enrol as enrol_tablet
from trialog.records.tablets import note_clock, was_seen_lately
from trialog.web.clock import local_time, now, zone
from trialog.web.database import get_session
from trialog.web.errors import error_body, error_body_of
from trialog.web.identity import current_tablet
from trialog.web.journal.events import note_event
from trialog.web.logging import bp
from trialog.web.logging.api import LARGEST_BATCH
from trialog.web.logging.batches import Batch, read_batch
from trialog.web.logging.bodies import read_json
from trialog.web.logging.pack import about_person, about_tablet, build_pack
from trialog.web.logging.running import as_json, running_state
from trialog.web.logging.shell import version
from trialog.web.logging.taking import shift_named
from trialog.web.noting import note_change
from trialog.web.people.reading import note_refused
from trialog.web.security import (
    CODE_TRIES,
    NO_TABLET,
    limiter,
    looks_at_a_pin,
    public_api,
    tablets_only,
)

T = TypeVar("T", int, str)

SMALL = 4 * 1024
"""Bytes; a code, or a name and a PIN, fit many times."""

WRONG = "be this person's"
LOCKED = (
    "wait: it was wrong too often on this tablet, where this name is locked until {until}. On "
    "another tablet it still works. An admin can end the wait, or set a new PIN if it is forgotten."
)


@bp.post("/api/tablet/enrol")
@public_api
@limiter.limit(CODE_TRIES)
def enrol() -> Response:
    """Make the browser that knows a code a tablet."""
    code = _given(read_json(SMALL), "code", str)
    session, moment = get_session(), now()
    with unit_of_work(session):
        tablet, key = enrol_tablet(session, code, now=moment)
        number = tablet.id
        made = {"key": key, "tablet": about_tablet(tablet), "cell": tablet.cell_id}
    note_event("tablet enrolled", tablet=number)
    return jsonify(**made, now=now().isoformat())


@bp.get("/api/tablet/pack")
@tablets_only
def pack() -> Response:
    """Give a tablet what it needs to log without a network."""
    session, tablet, moment = get_session(), current_tablet(), now()
    if not was_seen_lately(tablet, now=moment):
        with unit_of_work(session):
            tablet.seen_at = moment
    cell = _cell_asked_for(tablet.cell_id)
    made = build_pack(session, tablet, cell, version=version(), zone=zone(), now=moment)
    return jsonify(made | {"now": now().isoformat()})


def _cell_asked_for(otherwise: int | None) -> Cell | None:
    typed = request.args.get("cell", "")
    if not typed:
        return None if otherwise is None else get_session().get(Cell, otherwise)
    number = int(typed) if typed.isascii() and typed.isdigit() and len(typed) < 11 else 0
    return cell_numbered(number)


def cell_numbered(number: int) -> Cell:
    """Return the cell of a number that a tablet sent, or raise InvalidValueError."""
    cell = get_session().get(Cell, number) if 0 < number <= LARGEST_ID else None
    if cell is None:
        raise InvalidValueError("cell", "be the number of a cell", number)
    return cell


@bp.post("/api/tablet/sign-in")
@tablets_only
@looks_at_a_pin
def sign_in() -> Response:
    """Check somebody's PIN; the tablet remembers who is signed in, not the server."""
    body = read_json(SMALL)
    number, pin = _given(body, "person", int), _given(body, "pin", str)
    session, moment = get_session(), now()
    # Before the PIN is looked at: a tablet must not tell whether it guessed an approver's.
    if (asked := _person(session, number)) is not None:
        require(asked, Action.LOG)
    name, place = "" if asked is None else asked.name, tablet_place(current_tablet().id)
    with unit_of_work(session):
        person = check_pin(session, name, pin, place=place, now=moment)
        until = waits_until(session, name, place, now=moment)
    if person is None:
        note_refused(session, name, locked=until is not None)
        return _refuse_pin(until)
    return jsonify(person=about_person(person), now=now().isoformat())


def _refuse_pin(until: datetime | None) -> Response:
    """Answer to a wrong PIN, or to any before `until`, which the page counts down to."""
    rule = WRONG if until is None else LOCKED.format(until=local_time(until))
    body = error_body(f"pin must {rule}", "pin", rule)
    waits = {} if until is None else {"wait_until": until.isoformat()}
    answer = jsonify(body | waits)
    answer.status_code = 403
    return answer


@bp.post("/api/tablet/entries")
@tablets_only
def add_tablet_entries() -> Response:
    """Take a tablet's lines in, each on its own: written, or parked with what is wrong with it."""
    session, tablet, moment = get_session(), current_tablet(), now()
    batch = read_batch(read_json(LARGEST_BATCH), tablet.id)
    with unit_of_work(session):
        if tablet.revoked_at is not None:  # while this request was on its way
            raise Unauthorized(NO_TABLET)
        cell = cell_numbered(batch.cell)
        taken = take_in(session, cell, tablet, batch.lines, now=moment)
        note_clock(session, tablet, batch.clock, page=batch.page, now=moment)
        answer = {
            "entries": [_about_line(line) for line in taken],
            "state": _state_after(session, cell, batch),
            "tablet": {"clock_ahead_seconds": tablet.clock_ahead_seconds},
        }
    _note(session, cell, batch, taken)
    if parked := sum(one.status == "parked" for one in taken):
        note_event("lines parked", level=WARNING, cell=batch.cell, lines=parked)
    return jsonify(**answer, now=now().isoformat())


def _note(session: Session, cell: Cell, batch: Batch, taken: Sequence[TakenIn]) -> None:
    """Note what the lines that are new made of the verdicts of the cell's trials."""
    new = [
        (line, one.status)
        for line, one in zip(batch.lines, taken, strict=True)
        if one.status != "repeated"
    ]
    if any(line.entry is None or status == "parked" for line, status in new):
        note_change(cell, actor=None)
        return
    entries = [line.entry for line, _ in new if line.entry is not None]
    if PLAIN.issuperset(entry.kind for entry in entries):
        return  # so it is with nearly all taps, and who tapped need not be looked up
    who = entries[-1].person_id
    note_change(cell, actor=None if who is None else _person(session, who))


def _about_line(line: TakenIn) -> dict[str, Any]:
    reason, told = line.reason, None
    if reason is not None:
        body = error_body_of(reason) if isinstance(reason, TrialogError) else error_body(reason)
        told = body["error"]
    return dict(vars(line)) | {"reason": told}


def _state_after(session: Session, cell: Cell, batch: Batch) -> dict[str, Any] | None:
    """Return how the cell's open shift stands, or where there is none the one that was named."""
    entries = [line.entry for line in batch.lines if line.entry is not None]
    shift = open_shift(session, cell) or shift_named(session, cell, entries)
    return None if shift is None else as_json(running_state(session, shift))


def _person(session: Session, number: int) -> Person | None:
    """Return the person of a number, if there is one."""
    return session.get(Person, number) if 0 < number <= LARGEST_ID else None


def _given(body: Any, field: str, kind: type[T]) -> T:
    """Return a field of a request; what stood there instead may be a secret."""
    value = body.get(field) if isinstance(body, dict) else None
    if type(value) is not kind:
        word = "text" if kind is str else "whole number"
        raise InvalidValueError(field, f"be a {word}", None)
    return value
