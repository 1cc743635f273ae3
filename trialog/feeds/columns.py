"""The columns of the two forms of CSV file, and which form a header names."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches
from enum import StrEnum

from trialog.errors import InvalidValueError
from trialog.feeds.tables import Table, column_key
from trialog.records.words import EntryKind


class Form(StrEnum):
    """What a row of a file stands for."""

    CYCLES = "cycles"
    TALLIES = "tallies"


CYCLE_LOG = (
    "shift", "cycle", "time", "outcome", "modes", "operator", "note", "id", "cycles", "stage",
    "counter", "counter_event", "clear_seconds", "condition", "reading", "device",
    "resets_evidence", "ruling", "mode", "target", "reason", "order_known", "mismatch_accepted",
    "tablet", "tablet_number", "tablet_time", "photo", "late", "cause",
)  # fmt: skip
"""The columns of a cycle log, in the order in which an export writes them."""

TEXT_COLUMNS = frozenset(
    {"shift", "modes", "operator", "note", "id", "device", "mode", "target", "reason", "tablet"}
)
"""The columns that hold somebody's own words: guarded against being taken for a formula."""

FREE_TEXT = frozenset({"note", "reason"})
"""The columns whose outer blanks are kept."""

NO_CAUSE = "not recorded"
"""The cause of a ruling that was written before rulings had causes."""

_EVERY_KIND = {
    "time", "outcome", "operator", "note", "reason", "id",
    "tablet", "tablet_number", "tablet_time",
}  # fmt: skip
_IN_SHIFT = {"shift", "stage"}
_CYCLES = {"cycle", "cycles", "order_known"}
_OWN: dict[EntryKind, set[str]] = {
    EntryKind.SHIFT_OPENED: {"counter"},
    EntryKind.GOOD: _CYCLES | {"counter", "late"},
    EntryKind.FAILED: _CYCLES | {"modes", "late"},
    EntryKind.STOP: {"clear_seconds", "late"},
    EntryKind.NOTE: {"late"},
    EntryKind.PHOTO: {"target", "photo"},
    EntryKind.CHECK: {"cycle", "cycles", "modes", "late"},
    EntryKind.CONDITION: {"condition", "late"},
    EntryKind.READING: {"reading", "counter"},
    EntryKind.SHIFT_CLOSED: {"counter", "counter_event", "mismatch_accepted"},
    EntryKind.RULING: {"target", "ruling", "mode", "cause"},
    EntryKind.REVISION: {"device", "resets_evidence", "photo"},
    EntryKind.UNDO: {"target", "late"},
    EntryKind.COUNT: {"counter", "counter_event"},
}
ALLOWED = {
    kind: frozenset(_EVERY_KIND | own | (set() if kind is EntryKind.REVISION else _IN_SHIFT))
    for kind, own in _OWN.items()
}
"""The columns that may be filled in on a line of each kind; others would be lost."""

TALLIES = (
    "shift", "opened", "closed", "stage", "operator", "cycles", "failed_cycles",
    "counter_open", "counter_close", "counter_event", "mismatch_accepted", "note",
)  # fmt: skip
"""The columns of a tally file, before those of the failure modes."""

_CYCLE_LOG_NEEDS = ("shift", "outcome")
_TALLIES_NEED = ("shift", "opened", "cycles")


def recognise(table: Table) -> Form:
    """Say which form a file has, by its header.

    Raises
    ------
    InvalidValueError
        If it is neither.
    """
    named = set(table.header)
    if named.issuperset(_CYCLE_LOG_NEEDS):
        return Form.CYCLES
    if named.issuperset(_TALLIES_NEED):
        return Form.TALLIES
    raise InvalidValueError(
        "header",
        f"name the columns {' and '.join(_CYCLE_LOG_NEEDS)} (a row a cycle) "
        f"or {', '.join(_TALLIES_NEED)} (a row a shift)",
        ", ".join(table.titles),
    )


def require_known(table: Table, known: Sequence[str]) -> None:
    """Refuse a file with columns that would be left unread."""
    keys = {column_key(name): name for name in known}
    unknown = [
        title for key, title in zip(table.header, table.titles, strict=True) if key not in keys
    ]
    if not unknown:
        return
    near = get_close_matches(column_key(unknown[0]), list(keys), n=1)
    hint = f" (did you mean {keys[near[0]]!r}?)" if near else ""
    raise InvalidValueError(
        "header", f"name only columns that can be read: {', '.join(known)}{hint}",
        ", ".join(unknown),
    )  # fmt: skip
