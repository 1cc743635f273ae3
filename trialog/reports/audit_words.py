"""An audit event in words: what its details say, and which rows it seals."""

from __future__ import annotations

import re
from typing import Any

_HASH = re.compile(r"[0-9a-f]{64}")
"""A hash is for comparing: its beginning tells two of them apart, the export has it whole."""


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
