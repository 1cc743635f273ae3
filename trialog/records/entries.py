"""What can be written into the logbook, and the form that every new line must have."""

from __future__ import annotations

import re
from collections.abc import Callable, Hashable
from datetime import UTC, datetime, timedelta
from operator import attrgetter
from typing import Any, NamedTuple

from trialog.errors import InvalidValueError
from trialog.records.base import NAME_LIMIT, TEXT_LIMIT
from trialog.records.words import (
    Condition,
    CounterEvent,
    EntryKind,
    Reading,
    RulingCause,
    Stage,
)

CLOCK_TOLERANCE = timedelta(minutes=5)
"""How far a time may lie ahead of the server's clock; common practice, no source."""

EARLIEST = datetime(1900, 1, 1, tzinfo=UTC)
"""Nobody logged cycles before; a calendar's first days cannot be shown in every zone."""

LATEST = datetime(2200, 1, 1, tzinfo=UTC)
"""A tablet's clock may be ahead by years; a calendar's last days not every database gives back."""

MOST_CYCLES_AT_ONCE = 100_000
LONGEST_CLEAR_SECONDS = 7 * 24 * 3600
LARGEST_COUNTER = 10**12
LARGEST_CYCLE_NUMBER = 10**9
LARGEST_TABLET_NUMBER = 2**53 - 1
"""Beyond this a browser cannot tell whole numbers apart."""

CLIENT_ID = re.compile(r"[A-Za-z0-9_.:-]{1,64}")
SHA256 = re.compile(r"[0-9a-f]{64}")
_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")
"""A lone half of a surrogate pair gets into a text through JSON's escapes."""
STATE = re.compile(r"[A-Z][A-Z_]{0,39}")
"""How a machine names what it is doing, such as ACTIVE or FEED_HOLD."""


class NewEntry(NamedTuple):
    """A line that somebody wants in the logbook.

    `client_id` is made by whoever sends it; sending it again changes nothing.
    `occurred_at` empty means the moment the server receives it.
    `order_known` is False for cycles of a tally, whose place in the shift nobody wrote down.
    Good cycles may come with a machine counter's reading instead of their number: then they
    are those that the machine counted since the shift opened and nobody logged.

    From a tablet: `tablet_number` counts its lines in the order of its taps, `tablet_time` is
    its own clock's, `seen` the length of the logbook that it knew of at the tap, and `waited`
    says that the line could not be sent at once. `late`, from a file: it is known to have been
    tapped before its tablet heard that the shift was closed. `cause_unwritten`, from a file too:
    the ruling was written before rulings had causes.

    From a machine: its own count so far (`counter`), what it is doing (`text`, a word such as
    ACTIVE), and where readings before this one are missing, why (`reason`). Its shift is the one
    that was open at its time, and is not asked for.
    """

    # A line's own come first: `said` and `again` cut them off.
    client_id: str
    kind: EntryKind
    occurred_at: datetime | None = None
    cycle_number: int | None = None
    person_id: int | None = None
    shift: str | None = None
    cycles: int | None = None
    order_known: bool = True
    mode_ids: tuple[int, ...] = ()
    stage: Stage | None = None
    counter: int | None = None
    counter_event: CounterEvent | None = None
    mismatch_accepted: bool = False
    reading: Reading | None = None
    clear_seconds: int | None = None
    condition: Condition | None = None
    device_id: int | None = None
    resets_evidence: bool | None = None
    failure_mode_id: int | None = None
    relevant: bool | None = None
    cause: RulingCause | None = None
    cause_unwritten: bool = False
    target: str | None = None
    photo: str | None = None
    text: str = ""
    reason: str = ""
    tablet_id: int | None = None
    tablet_number: int | None = None
    tablet_time: datetime | None = None
    seen: int | None = None
    waited: bool = False
    late: bool = False

    @property
    def said(self) -> Hashable:
        """What the line says: all but which line it is, its time and its cycle's number.

        Thousands of good cycles say the same, and what follows from that is worked out once.
        """
        return self.kind, self[4:]

    def again(self, client_id: str, occurred_at: datetime | None, number: int | None) -> NewEntry:
        """Return another line that says the same."""
        return tuple.__new__(NewEntry, (client_id, self.kind, occurred_at, number, *self[4:]))

    @property
    def counts_by_counter(self) -> bool:
        """Whether the number of good cycles is still to be worked out from the counter."""
        return self.kind is EntryKind.GOOD and self.cycles is None and self.counter is not None


def check_form(entry: NewEntry, now: datetime) -> None:
    """Check what can be said of a new line without the records.

    Raises
    ------
    InvalidValueError
        Naming the first field that breaks its rule.
    """
    check_line(entry, now)
    check_length("text", entry.text, TEXT_LIMIT)
    check_length("reason", entry.reason, TEXT_LIMIT)
    if entry.counter is not None:
        check_whole("counter", entry.counter, 0, LARGEST_COUNTER)
    if entry.target is not None and not CLIENT_ID.fullmatch(entry.target):
        raise InvalidValueError("target", "be a line's client_id", entry.target)
    _check_tablet(entry)
    _refuse_strays(entry)
    _FORMS[entry.kind](entry)


def check_line(entry: NewEntry, now: datetime) -> None:
    """Check what is a line's own, where another that says the same has been checked."""
    if not CLIENT_ID.fullmatch(entry.client_id):
        raise InvalidValueError(
            "client_id", "be 1 to 64 letters, digits or _ . : -", entry.client_id
        )
    if entry.occurred_at is not None:
        check_time("time", entry.occurred_at, now)
    if entry.cycle_number is not None:
        check_whole("cycle number", entry.cycle_number, 1, LARGEST_CYCLE_NUMBER)


def _check_tablet(entry: NewEntry) -> None:
    if (entry.tablet_id is None) != (entry.tablet_number is None):
        raise InvalidValueError("number", "be given by a tablet, and only by one", None)
    if entry.tablet_number is not None:
        check_whole("number", entry.tablet_number, 1, LARGEST_TABLET_NUMBER)
    if entry.seen is not None:
        check_whole("seen", entry.seen, 0, LARGEST_TABLET_NUMBER)
    if entry.tablet_time is not None:
        _check_tablet_time(entry.tablet_time)


def _check_tablet_time(value: datetime) -> None:
    if value.tzinfo is None:
        raise InvalidValueError("tablet_time", "carry a time zone", value.isoformat())
    if not EARLIEST < value < LATEST:
        rule = f"lie between {EARLIEST:%Y} and {LATEST:%Y}"
        raise InvalidValueError("tablet_time", rule, value.isoformat())


def _refuse_strays(entry: NewEntry) -> None:
    """Refuse a field that means nothing on this kind of line.

    A cycle count on a note, say, would be counted against the machine's counter and
    never show in a rollup.
    """
    names, values_of = _STRAYS[entry.kind]
    for name, value in zip(names, values_of(entry), strict=True):
        if value is not None and value != ():
            raise InvalidValueError(name, f"be empty on a {entry.kind} line", value)


def check_time(field: str, value: datetime, now: datetime) -> None:
    """Check that a time has a zone, and lies neither in the future nor ages ago."""
    if value.tzinfo is None:
        raise InvalidValueError(field, "carry a time zone", value.isoformat())
    if value < EARLIEST:
        raise InvalidValueError(field, f"lie after {EARLIEST:%Y-%m-%d}", value.isoformat())
    if value > now + CLOCK_TOLERANCE:
        raise InvalidValueError(
            field,
            f"not lie in the future (now {now.astimezone(UTC).isoformat(timespec='seconds')})",
            value.isoformat(),
        )


def check_length(field: str, value: str, most: int) -> None:
    """Check that a text fits its column and that every database can hold it."""
    if len(value) > most:
        raise InvalidValueError(field, f"be at most {most} characters ({len(value)} given)", value)
    if "\x00" in value:
        raise InvalidValueError(field, "not hold a NUL character", value)
    if not storable(value):
        raise InvalidValueError(field, "hold whole characters only", value)


def storable(value: str) -> bool:
    """Say whether every database can hold a text, or be asked for it."""
    return _UNSTORABLE.search(value) is None


def check_name(field: str, value: str) -> str:
    """Return a name without outer blanks, checked to be there and to fit."""
    name = value.strip()
    if not name:
        raise InvalidValueError(field, "not be empty", value)
    check_length(field, name, NAME_LIMIT)
    if not name.isprintable():
        raise InvalidValueError(field, "hold printable characters only", value)
    return name


def check_whole(field: str, value: int, least: int, most: int) -> None:
    """Check that a whole number lies in its range."""
    if not least <= value <= most:
        raise InvalidValueError(field, f"be between {least} and {most}", value)


def _required(field: str, value: object) -> None:
    if value in (None, "", ()):
        raise InvalidValueError(field, "be given", value)


def _check_open(entry: NewEntry) -> None:
    check_name("shift", entry.shift or "")
    _required("stage", entry.stage)


def _check_good(entry: NewEntry) -> None:
    if entry.cycles is None and entry.counter is not None:
        return
    _required("cycles", entry.cycles)
    check_whole("cycles", entry.cycles or 0, 1, MOST_CYCLES_AT_ONCE)


def _check_failed(entry: NewEntry) -> None:
    if entry.cycles != 1:
        raise InvalidValueError("cycles", "be 1 for a failed cycle", entry.cycles)
    _required("failure modes", entry.mode_ids)
    _check_modes(entry)


def _check_modes(entry: NewEntry) -> None:
    if len(set(entry.mode_ids)) != len(entry.mode_ids):
        raise InvalidValueError("failure modes", "each be named once", entry.mode_ids)


def _check_stop(entry: NewEntry) -> None:
    if entry.clear_seconds is not None:
        check_whole("clear_seconds", entry.clear_seconds, 0, LONGEST_CLEAR_SECONDS)


def _check_note(entry: NewEntry) -> None:
    _required("note", entry.text.strip())


def _check_photo(entry: NewEntry) -> None:
    _required("target", entry.target)
    if not SHA256.fullmatch(entry.photo or ""):
        raise InvalidValueError("photo", "be a photo's SHA-256 in hex", entry.photo)


def _check_spot_check(entry: NewEntry) -> None:
    _required("cycles", entry.cycles)
    most = 1 if entry.mode_ids else MOST_CYCLES_AT_ONCE
    check_whole("cycles", entry.cycles or 0, 1, most)
    _check_modes(entry)


def _check_condition(entry: NewEntry) -> None:
    _required("condition", entry.condition)


def _check_reading(entry: NewEntry) -> None:
    _required("reading", entry.reading)
    _required("counter", entry.counter)


def _check_close(entry: NewEntry) -> None:
    if entry.counter_event is not None:
        _required("counter", entry.counter)


def _check_ruling(entry: NewEntry) -> None:
    _required("target", entry.target)
    _required("relevant", entry.relevant)
    if entry.relevant is False:
        _required("reason", entry.reason.strip())
        _check_acquitting_cause(entry)
    elif entry.cause is RulingCause.OTHER:
        _required("reason", entry.reason.strip())


def _check_acquitting_cause(entry: NewEntry) -> None:
    """Check that what lets a failure leave the count lies outside the device."""
    if not entry.cause_unwritten:
        _required("cause", entry.cause)
    if entry.cause is not None and entry.cause.speaks_against_device:
        rule = "lie outside the device where a failure is ruled non-relevant"
        raise InvalidValueError("cause", rule, entry.cause.value)


def _check_revision(entry: NewEntry) -> None:
    _required("device", entry.device_id)
    _required("what changed", entry.text.strip())
    _required("resets_evidence", entry.resets_evidence)
    if entry.photo is not None and not SHA256.fullmatch(entry.photo):
        raise InvalidValueError("photo", "be a file's SHA-256 in hex", entry.photo)
    if entry.resets_evidence is False:
        _required("reason for not resetting the evidence", entry.reason.strip())


def _check_undo(entry: NewEntry) -> None:
    _required("target", entry.target)


def _check_count(entry: NewEntry) -> None:
    """Check what a machine said: its count, what it is doing, or why a reading is missing."""
    if entry.person_id is not None:
        raise InvalidValueError("person", "be empty: nobody sees what a machine says", None)
    if entry.tablet_id is not None:
        raise InvalidValueError("number", "be empty: no tablet sends what a machine says", None)
    if entry.counter is None and not entry.text and not entry.reason.strip():
        raise InvalidValueError("counter", "be given, or the machine's state", None)
    if entry.text and not STATE.fullmatch(entry.text):
        raise InvalidValueError("state", "be a word of capitals such as ACTIVE", entry.text)
    if entry.counter_event is not None:
        _required("counter", entry.counter)


_CYCLE_FIELDS = frozenset({"cycles", "cycle_number"})
_FIELDS_OF: dict[EntryKind, frozenset[str]] = {
    EntryKind.SHIFT_OPENED: frozenset({"stage", "counter"}),
    EntryKind.GOOD: _CYCLE_FIELDS | {"counter"},
    EntryKind.FAILED: _CYCLE_FIELDS | {"mode_ids"},
    EntryKind.STOP: frozenset({"clear_seconds"}),
    EntryKind.PHOTO: frozenset({"target", "photo"}),
    EntryKind.CHECK: _CYCLE_FIELDS | {"mode_ids"},
    EntryKind.CONDITION: frozenset({"condition"}),
    EntryKind.READING: frozenset({"reading", "counter"}),
    EntryKind.SHIFT_CLOSED: frozenset({"counter", "counter_event"}),
    EntryKind.RULING: frozenset({"target", "relevant", "failure_mode_id", "cause"}),
    EntryKind.REVISION: frozenset({"device_id", "resets_evidence", "photo"}),
    EntryKind.UNDO: frozenset({"target"}),
    EntryKind.COUNT: frozenset({"counter", "counter_event"}),
}
"""What a kind of line may carry beyond what all may: who, when, which shift, text, reason."""

_OWN_FIELDS = frozenset().union(*_FIELDS_OF.values())


def _strays(kind: EntryKind) -> tuple[list[str], attrgetter[Any]]:
    """Return the fields that mean nothing on a kind of line, and what reads them all at once."""
    names = sorted(_OWN_FIELDS - _FIELDS_OF.get(kind, frozenset()))
    return names, attrgetter(*names)


_STRAYS = {kind: _strays(kind) for kind in EntryKind}

_FORMS: dict[EntryKind, Callable[[NewEntry], None]] = {
    EntryKind.SHIFT_OPENED: _check_open,
    EntryKind.GOOD: _check_good,
    EntryKind.FAILED: _check_failed,
    EntryKind.STOP: _check_stop,
    EntryKind.NOTE: _check_note,
    EntryKind.PHOTO: _check_photo,
    EntryKind.CHECK: _check_spot_check,
    EntryKind.CONDITION: _check_condition,
    EntryKind.READING: _check_reading,
    EntryKind.SHIFT_CLOSED: _check_close,
    EntryKind.RULING: _check_ruling,
    EntryKind.REVISION: _check_revision,
    EntryKind.UNDO: _check_undo,
    EntryKind.COUNT: _check_count,
}
