"""From the JSON that a page or a program sends to lines for the logbook. Nothing is guessed:
a field that is unknown, missing, of another type or of no use to its kind of line is refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from trialog.errors import InvalidValueError, shown
from trialog.records.entries import NewEntry, storable
from trialog.records.words import (
    Condition,
    CounterEvent,
    EntryKind,
    Reading,
    RulingCause,
    Stage,
)
from trialog.web.logging.refusing import RefusedLineError

MOST_LINES = 200
"""How many lines one request may carry; the page sends far fewer. Common practice, no source."""

LARGEST_WHOLE = 2**53 - 1
"""Beyond this a browser cannot tell whole numbers apart."""

Reader = Callable[[str, Any], Any]


def _text(field: str, value: Any) -> str:
    if not isinstance(value, str):
        raise InvalidValueError(field, "be a text", value)
    if not storable(value):
        raise InvalidValueError(field, "hold whole characters only", value)
    return value


def _whole(field: str, value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > LARGEST_WHOLE:
        raise InvalidValueError(field, "be a whole number", value)
    return value


def _row_id(field: str, value: Any) -> int:
    number = _whole(field, value)
    if not 0 < number < 2**31:
        raise InvalidValueError(field, "be the number of one in the records", value)
    return number


def _yes_no(field: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise InvalidValueError(field, "be true or false", value)
    return value


def _row_ids(field: str, value: Any) -> tuple[int, ...]:
    if not isinstance(value, list):
        raise InvalidValueError(field, "be a list of numbers", value)
    return tuple(_row_id(field, item) for item in value)


def _time(field: str, value: Any) -> datetime:
    try:
        moment = datetime.fromisoformat(_text(field, value))
        moment.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        if isinstance(error, InvalidValueError):
            raise
        raise InvalidValueError(field, "be a time such as 2026-03-02T06:00:00Z", value) from None
    if moment.tzinfo is None:
        raise InvalidValueError(field, "carry a time zone", value)
    return moment


def _one_of(words: type[StrEnum]) -> Reader:
    def read(field: str, value: Any) -> StrEnum:
        try:
            return words(_text(field, value))
        except ValueError as error:
            if isinstance(error, InvalidValueError):
                raise
            known = ", ".join(repr(word.value) for word in words)
            raise InvalidValueError(field, f"be one of {known}", value) from None

    return read


def _kind(field: str, value: Any) -> EntryKind:
    """Read a kind of line that people write; what a machine says has a way of its own."""
    kind = _any_kind(field, value)
    if kind is EntryKind.COUNT:
        raise InvalidValueError(field, "be one that people log", value)
    return EntryKind(kind)


_any_kind = _one_of(EntryKind)

COMMON: dict[str, tuple[str, Reader]] = {
    "client_id": ("client_id", _text),
    "kind": ("kind", _kind),
    "shift": ("shift", _text),
    "time": ("occurred_at", _time),
    "person": ("person_id", _row_id),
    "text": ("text", _text),
    "reason": ("reason", _text),
}
"""Fields that every kind of line may carry, with the line's attribute and the reader."""

TABLETS: dict[str, tuple[str, Reader]] = {
    "number": ("tablet_number", _whole),
    "tablet_time": ("tablet_time", _time),
    "seen": ("seen", _whole),
    "waited": ("waited", _yes_no),
    "placed": ("order_known", _yes_no),
}
"""Fields that only a tablet's lines carry."""

CYCLE: dict[str, tuple[str, Reader]] = {
    "cycles": ("cycles", _whole),
    "cycle_number": ("cycle_number", _whole),
}

OWN: dict[EntryKind, dict[str, tuple[str, Reader]]] = {
    EntryKind.SHIFT_OPENED: {
        "stage": ("stage", _one_of(Stage)),
        "counter": ("counter", _whole),
    },
    EntryKind.GOOD: CYCLE | {"counter": ("counter", _whole)},
    EntryKind.FAILED: CYCLE | {"modes": ("mode_ids", _row_ids)},
    EntryKind.PHOTO: {"target": ("target", _text), "photo": ("photo", _text)},
    EntryKind.CHECK: CYCLE | {"modes": ("mode_ids", _row_ids)},
    EntryKind.STOP: {"clear_seconds": ("clear_seconds", _whole)},
    EntryKind.NOTE: {},
    EntryKind.CONDITION: {"condition": ("condition", _one_of(Condition))},
    EntryKind.READING: {
        "reading": ("reading", _one_of(Reading)),
        "counter": ("counter", _whole),
    },
    EntryKind.SHIFT_CLOSED: {
        "counter": ("counter", _whole),
        "counter_event": ("counter_event", _one_of(CounterEvent)),
        "mismatch_accepted": ("mismatch_accepted", _yes_no),
    },
    EntryKind.RULING: {
        "target": ("target", _text),
        "failure_mode": ("failure_mode_id", _row_id),
        "relevant": ("relevant", _yes_no),
        "cause": ("cause", _one_of(RulingCause)),
    },
    EntryKind.REVISION: {
        "device": ("device_id", _row_id),
        "resets_evidence": ("resets_evidence", _yes_no),
    },
    EntryKind.UNDO: {"target": ("target", _text)},
}
"""Fields of one kind only. A cycle count on a note, say, would be counted by nobody's will."""

MAY_STAND_WITHOUT_SHIFT = (EntryKind.REVISION, EntryKind.UNDO, EntryKind.RULING)


def parse_lines(body: Any) -> list[NewEntry]:
    """Read the lines of a request.

    Raises
    ------
    InvalidValueError
        If the request as a whole has another form.
    RefusedLineError
        If a line breaks a rule, naming its client id where it has one.
    """
    if not isinstance(body, dict) or set(body) != {"entries"}:
        raise InvalidValueError("request", 'be a JSON object with "entries" alone', body)
    lines = body["entries"]
    if not isinstance(lines, list) or not 0 < len(lines) <= MOST_LINES:
        raise InvalidValueError("entries", f"be a list of 1 to {MOST_LINES} lines", lines)
    return [_parse(line) for line in lines]


def _parse(line: Any) -> NewEntry:
    try:
        return parse_line(line)
    except InvalidValueError as error:
        client_id = line.get("client_id") if isinstance(line, dict) else None
        named = client_id if isinstance(client_id, str) else None
        raise RefusedLineError(error, named) from error


def parse_line(line: Any, *, tablet_id: int | None = None) -> NewEntry:
    """Read one line; `null` is the same as a field left out. `tablet_id`: which one sent it.

    Raises
    ------
    InvalidValueError
        Naming the first field that breaks its rule.
    """
    if not isinstance(line, dict):
        raise InvalidValueError("line", "be a JSON object", line)
    given = {name: value for name, value in line.items() if value is not None}
    for name in ("client_id", "kind"):
        if name not in given:
            raise InvalidValueError(name, "be given", None)
    kind = _kind("kind", given["kind"])
    if kind not in MAY_STAND_WITHOUT_SHIFT and "shift" not in given:
        raise InvalidValueError("shift", "be given", None)
    if kind is EntryKind.REVISION and "shift" in given:
        raise InvalidValueError("shift", "be left out of a revision", given["shift"])
    fields = COMMON | OWN[kind]
    if tablet_id is None:
        return _entry(given, fields, kind)
    entry = _entry(given, fields | TABLETS, kind)
    return entry._replace(tablet_id=tablet_id)


def _entry(
    given: Mapping[str, Any], fields: Mapping[str, tuple[str, Reader]], kind: EntryKind
) -> NewEntry:
    values: dict[str, Any] = {}
    for name, value in given.items():
        if name not in fields:
            named = name if name.isprintable() else shown(name)
            raise InvalidValueError(named, f"be left out of a {kind} line", value)
        attribute, read = fields[name]
        values[attribute] = read(name, value)
    if kind is EntryKind.FAILED:
        values.setdefault("cycles", 1)
    return NewEntry(**values)
