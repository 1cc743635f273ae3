"""Mend a line that the logbook did not take: what an engineer may change, and the line it gives."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from flask_wtf import FlaskForm
from sqlalchemy.orm import Session
from wtforms import SelectChoice, SelectField, SelectMultipleField, StringField, TextAreaField
from wtforms.validators import InputRequired, Length, Optional
from wtforms.widgets import CheckboxInput, ListWidget

from trialog.errors import InvalidValueError
from trialog.records.base import NAME_LIMIT, TEXT_LIMIT
from trialog.records.entries import (
    EARLIEST,
    LARGEST_COUNTER,
    LATEST,
    LONGEST_CLEAR_SECONDS,
    MOST_CYCLES_AT_ONCE,
    NewEntry,
    storable,
)
from trialog.records.intake import TABLET_KINDS
from trialog.records.models import Cell, ParkedLine, Person
from trialog.records.people import Action, role_may
from trialog.records.words import EntryKind
from trialog.web.fields import Between, WholeField
from trialog.web.logging.parsing import COMMON, OWN, TABLETS, parse_line
from trialog.web.people.reading import all_people

NOBODY = "0"
KINDS = {kind.value: kind for kind in TABLET_KINDS}

SHOWN: dict[EntryKind, tuple[str, ...]] = {
    EntryKind.SHIFT_OPENED: ("shift", "counter"),
    EntryKind.GOOD: ("shift", "cycles", "counter"),
    EntryKind.FAILED: ("shift", "modes"),
    EntryKind.STOP: ("shift", "clear_seconds"),
    EntryKind.NOTE: ("shift", "text"),
    EntryKind.PHOTO: ("shift",),
    EntryKind.CHECK: ("shift", "cycles", "modes"),
    EntryKind.CONDITION: ("shift", "text"),
    EntryKind.SHIFT_CLOSED: ("shift", "counter"),
    EntryKind.UNDO: (),
}
"""What may be changed on each kind of line, beside who saw it."""

PLACES = {
    "shift": "shift", "cycles": "cycles", "counter": "counter", "closing counter": "counter",
    "failure modes": "modes", "failure mode": "modes", "modes": "modes", "text": "text",
    "note": "text", "person": "person", "clear_seconds": "clear_seconds",
}  # fmt: skip


class MendForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """What an engineer may change about a parked line."""

    shift = StringField("Shift", validators=[Optional(), Length(max=NAME_LIMIT)])
    cycles = WholeField(
        "Cycles", validators=[Optional(), Between(least=1, most=MOST_CYCLES_AT_ONCE)]
    )
    counter = WholeField(
        "Counter reading", validators=[Optional(), Between(least=0, most=LARGEST_COUNTER)]
    )
    modes = SelectMultipleField(
        "Failure modes", widget=ListWidget(prefix_label=False), option_widget=CheckboxInput()
    )
    clear_seconds = WholeField(
        "Seconds to clear", validators=[Optional(), Between(least=0, most=LONGEST_CLEAR_SECONDS)]
    )
    text = TextAreaField("Text", validators=[Optional(), Length(max=TEXT_LIMIT)])
    person = SelectField("Who saw it")


class LeaveOutForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """Why a parked line is left out for good."""

    reason = StringField(
        "Why it does not belong in the logbook",
        validators=[InputRequired("Must be given; it is empty."), Length(max=TEXT_LIMIT)],
    )


def kind_of(parked: ParkedLine) -> EntryKind | None:
    """Return the kind of a parked line, if it is one that a tablet may send."""
    kind = parked.line.get("kind")
    return KINDS.get(kind) if isinstance(kind, str) else None


def mend_form(session: Session, cell: Cell, parked: ParkedLine, *, sent: bool) -> MendForm | None:
    """Make the form that mends a line, filled as the line is; None where nothing can mend it.

    `sent`: read it from the request.
    """
    kind = kind_of(parked)
    if kind is None:
        return None
    given = {} if sent else {"formdata": None, "data": _as_it_is(parked, cell)}
    form = MendForm(prefix=f"line-{parked.id}-", **given)
    form.modes.choices = [SelectChoice(str(mode.id), mode.name) for mode in cell.modes]
    people = [one for one in all_people(session) if role_may(one, Action.LOG)]
    form.person.choices = [SelectChoice(NOBODY, "not known"), *map(_choice, people)]
    for name in ("shift", "cycles", "counter", "modes", "clear_seconds", "text"):
        if name not in SHOWN[kind]:
            del form[name]
    return form


def _choice(person: Person) -> SelectChoice:
    return SelectChoice(str(person.id), person.name)


def _as_it_is(parked: ParkedLine, cell: Cell) -> dict[str, Any]:
    """Return a line's values as far as a form can show them."""
    line, known = parked.line, {mode.id for mode in cell.modes}
    shown: dict[str, Any] = {
        name: line[name]
        for name in ("cycles", "counter", "clear_seconds")
        if type(line.get(name)) is int
    }
    shown |= {
        name: line[name]
        for name in ("shift", "text")
        if isinstance(line.get(name), str) and storable(line[name])
    }
    modes = line.get("modes")
    listed = modes if isinstance(modes, list) else []
    shown["modes"] = [str(mode) for mode in listed if type(mode) is int and mode in known]
    shown["person"] = str(parked.person_id or NOBODY)
    return shown


def mended(parked: ParkedLine, form: MendForm) -> NewEntry:
    """Return the line as the form has it; what nobody can mend and nobody needs is left away.

    Raises
    ------
    InvalidValueError
        Naming the first field that still breaks its rule.
    """
    kind = KINDS[parked.line["kind"]]
    line = {name: parked.line.get(name) for name in COMMON | OWN[kind] | TABLETS}
    # Its place is not known any more, and its times are of use only where they can be read.
    line |= {name: None for name in ("placed", "cycle_number") if name in line}
    line |= {
        "seen": _usable(line["seen"]),
        "time": _iso(readable_time(line["time"]) or parked.parked_at),
        "tablet_time": _iso(readable_time(line["tablet_time"])),
    }
    if kind is EntryKind.FAILED:
        line["cycles"] = None  # one, by its nature
    if kind is EntryKind.UNDO:
        line["shift"] = None  # that of the line which it takes back, wherever that was written
    line |= {name: value for name, value in _typed(form).items() if name in line}
    if kind is EntryKind.GOOD and line["cycles"] is not None and line["counter"] is not None:
        raise InvalidValueError(
            "cycles", "be empty where the counter tells how many there were", line["cycles"]
        )
    return parse_line(line, tablet_id=parked.tablet_id)


def _usable(seen: Any) -> int | None:
    return seen if type(seen) is int and 0 <= seen < 2**53 else None


def readable_time(value: Any) -> datetime | None:
    """Return a time that can be read, and said in every zone; of anything else nothing."""
    try:
        moment = datetime.fromisoformat(value)
        return moment.astimezone(UTC) if moment.tzinfo and EARLIEST < moment < LATEST else None
    except (TypeError, ValueError, OverflowError):
        return None


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _typed(form: MendForm) -> Mapping[str, Any]:
    """Return what the form's fields hold, in the form of a line."""
    typed: dict[str, Any] = {field.short_name: field.data for field in form}
    if "modes" in typed:
        typed["modes"] = [int(mode) for mode in typed["modes"]] or None
    if "shift" in typed:
        typed["shift"] = (typed["shift"] or "").strip() or None
    person = typed["person"]
    return typed | {"person": None if person == NOBODY else int(person)}
