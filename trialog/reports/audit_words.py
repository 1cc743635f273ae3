"""An audit event in words: what its details say, and which rows it seals."""

from __future__ import annotations

import re
from typing import Any

_HASH = re.compile(r"[0-9a-f]{64}")
"""A hash is for comparing: its beginning tells two of them apart, the export has it whole."""

DEEDS = {
    ("asked for a test", "notice"): "asked for a test notice",
    ("clock moved", "tablet"): "noted that the clock moved of tablet",
    ("imported", "logbook"): "imported lines into the logbook of",
    ("left out", "line"): "left out the parked line",
    ("locked", "person"): "locked after wrong PINs:",
    ("made", "enrolment code"): "made an enrolment code, number",
    ("noted verdict", "trial"): "noted the verdict of trial",
    ("parked", "line"): "had a line parked:",
    ("refused", "trial"): "refused to sign trial",
    ("revoked", "trial"): "revoked a signature of trial",
    ("ruled on several", "trial"): "ruled on several failures of trial",
    ("sealed rows", "records"): "wrote rows (nobody said why)",
    ("taken back", "line"): "took back the parked line",
    ("tried again", "notice"): "had notices tried again",
    ("written", "line"): "wrote in the parked line",
    ("wrote", "logbook"): "wrote in the logbook of",
}
"""What is no sentence when action and subject simply follow each other."""


def deed_words(action: str, subject: str) -> str:
    """Return what was done to what, to be followed by its name."""
    return DEEDS.get((action, subject), f"{action} {subject}")


def detail_words(details: dict[str, Any]) -> list[tuple[str, str]]:
    """Return an event's details, each with its name."""
    return [(name.replace("_", " "), _words(value)) for name, value in details.items()]


def _words(value: Any) -> str:
    if value is None or value == "":
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_words(one) for one in value) or "–"
    if isinstance(value, dict):
        return ", ".join(f"{name.replace('_', ' ')} {_words(one)}" for name, one in value.items())
    if isinstance(value, str) and _HASH.fullmatch(value):
        return f"{value[:12]}…"
    return str(value)


def sealed_words(sealed: list[Any]) -> list[str]:
    """Return which rows an event seals, each with what became of it."""
    return [
        f"{table.replace('_', ' ')} {key}, {_became(before, after)}"
        for table, key, before, after in sealed
    ]


def _became(before: str | None, after: str | None) -> str:
    return "added" if before is None else "removed" if after is None else "changed"
