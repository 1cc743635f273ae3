"""A line of the logbook in words."""

from __future__ import annotations

from collections.abc import Callable

from trialog.errors import cut
from trialog.records.models import Entry
from trialog.records.words import EntryKind
from trialog.reports import words

SHORT = 40
"""How much of a note's text stands for it on a button."""


def line_words(entry: Entry) -> str:
    """Say what a line is about: "failed cycle 17, chips left"."""
    return _WORDS[entry.kind](entry)


def undo_words(entry: Entry) -> str:
    """Say what undoing a line would undo."""
    return f"Undo: {line_words(entry)}"


def shortened(text: str, most: int = SHORT) -> str:
    """Return the beginning of a text, on one line."""
    line = " ".join(text.split())
    return cut(line, most)


def _opened(entry: Entry) -> str:
    reading = "no counter reading" if entry.counter is None else f"counter at {entry.counter:,}"
    return f"shift opened, {reading}"


def _good(entry: Entry) -> str:
    cycles, last = entry.cycles or 0, entry.cycle_number
    if entry.counter is not None:
        added = words.counted(cycles, "good cycle") if cycles else "no cycle to add"
        return f"{added} by the counter, at {entry.counter:,}"
    if cycles == 1:
        return "good cycle" if last is None else f"good cycle {last:,}"
    span = "" if last is None else f", {last - cycles + 1:,} to {last:,}"
    return f"{cycles:,} good cycles{span}"


def _failed(entry: Entry) -> str:
    number = "" if entry.cycle_number is None else f" {entry.cycle_number:,}"
    return f"failed cycle{number}, {words.listed([mode.name for mode in entry.modes])}"


def _stop(entry: Entry) -> str:
    if entry.clear_seconds is None:
        return "stop, clear time not known"
    return f"stop, {words.length(entry.clear_seconds)} to clear"


def _note(entry: Entry) -> str:
    return f"note “{shortened(entry.text)}”"


def _photo(_entry: Entry) -> str:
    return "photo of a failure"


def _check(entry: Entry) -> str:
    if entry.cycles == 1 and entry.cycle_number is not None:
        watched = f"cycle {entry.cycle_number:,}"
    else:
        watched = words.counted(entry.cycles or 0, "cycle")
    if not entry.modes:
        return f"spot check of {watched}, none failed"
    return f"spot check of {watched}, {words.listed([mode.name for mode in entry.modes])}"


def _condition(entry: Entry) -> str:
    return f"{entry.condition}, {shortened(entry.text)}" if entry.text else f"{entry.condition}"


def _reading(entry: Entry) -> str:
    return f"{entry.reading} reading corrected to {entry.counter:,}"


def _closed(entry: Entry) -> str:
    if entry.counter is None:
        return "shift closed, no counter reading"
    event = "" if entry.counter_event is None else f", counter {_EVENTS[entry.counter_event]}"
    return f"shift closed, counter at {entry.counter:,}{event}"


_EVENTS = {"rolled over": "rolled over", "reset": "was reset"}


def _ruling(entry: Entry) -> str:
    ruled = f"ruled {'relevant' if entry.relevant else 'non-relevant'}"
    return ruled if entry.cause is None else f"{ruled} ({entry.cause})"


def _revision(entry: Entry) -> str:
    return f"revision: {shortened(entry.text)}"


def _counted(entry: Entry) -> str:
    said = [] if entry.counter is None else [f"counter at {entry.counter:,}"]
    if entry.counter_event is not None:
        said.append(f"it {_EVENTS[entry.counter_event]}")
    if entry.text:
        said.append(entry.text.lower().replace("_", " "))
    if entry.reason:
        said.append("readings missing")
    return f"the machine: {', '.join(said)}"


def _undo(_entry: Entry) -> str:
    return "undo"


_WORDS: dict[EntryKind, Callable[[Entry], str]] = {
    EntryKind.SHIFT_OPENED: _opened,
    EntryKind.GOOD: _good,
    EntryKind.FAILED: _failed,
    EntryKind.STOP: _stop,
    EntryKind.NOTE: _note,
    EntryKind.PHOTO: _photo,
    EntryKind.CHECK: _check,
    EntryKind.CONDITION: _condition,
    EntryKind.READING: _reading,
    EntryKind.SHIFT_CLOSED: _closed,
    EntryKind.RULING: _ruling,
    EntryKind.REVISION: _revision,
    EntryKind.UNDO: _undo,
    EntryKind.COUNT: _counted,
}
