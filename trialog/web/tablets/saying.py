"""A parked line in words. It may hold anything, so nothing of it is trusted to be what it says."""

from __future__ import annotations

from typing import Any

from trialog.errors import shown
from trialog.records.models import Cell, ParkedLine
from trialog.reports import words
from trialog.web.logging.words import shortened

LONGEST = 200
TITLES = {
    "open": "shift opened", "good": "good cycles", "failed": "failed cycle", "stop": "stop",
    "note": "note", "photo": "photo of a failure", "check": "spot check", "condition": "condition",
    "close": "shift closed", "undo": "undo",
}  # fmt: skip
LABELS = {
    "shift": "Shift", "stage": "Stage", "cycles": "Cycles", "modes": "Failure modes",
    "counter": "Counter reading", "counter_event": "Counter", "clear_seconds": "Seconds to clear",
    "condition": "Condition", "text": "Text", "reason": "Reason", "target": "About the line",
    "photo": "Photo", "mismatch_accepted": "Difference accepted",
}  # fmt: skip
LEFT_AWAY = frozenset(
    {"client_id", "kind", "number", "time", "tablet_time", "person", "seen", "placed"}
)
"""What is shown elsewhere on the page, or tells nobody anything."""


def title(parked: ParkedLine) -> str:
    """Say what kind of line it is."""
    kind = parked.line.get("kind")
    return TITLES.get(kind, f"a {plain(kind)} line") if isinstance(kind, str) else "a line"


def facts(parked: ParkedLine, cell: Cell) -> list[tuple[str, str]]:
    """Return what a line says, with the words for each field."""
    modes = {mode.id: mode.name for mode in cell.modes}
    return [
        (
            LABELS.get(name) or plain(name),
            _mode_words(value, modes) if name == "modes" else plain(value),
        )
        for name, value in parked.line.items()
        if name not in LEFT_AWAY and value is not None
    ]


def _mode_words(value: Any, modes: dict[int, str]) -> str:
    if not isinstance(value, list) or not value or not all(type(one) is int for one in value):
        return plain(value)
    return words.listed([modes.get(one, f"an unknown one ({one})") for one in value])


def plain(value: Any) -> str:
    """Return a value as a page can show it: odd signs by their codes, long texts shortened."""
    if isinstance(value, str) and value.isprintable():
        return shortened(value, LONGEST)
    return shown(value, LONGEST)
