"""Conditions that a requirement asks for and that are missing yet, in words."""

from __future__ import annotations

from collections.abc import Mapping

from trialog.evidence.coverage import SHIFTS
from trialog.languages import counted

_ONE_MORE = {
    SHIFTS: lambda number: counted(number, "more shift"),
    "operators": lambda number: counted(number, "more operator"),
    "cold starts": lambda number: counted(number, "more cold start"),
    "material lots": lambda number: counted(number, "more material lot"),
    "tool changes": lambda number: counted(number, "more tool change"),
}


def lacking(missing: Mapping[str, int]) -> list[str]:
    """Say how many more of each condition are needed: "2 more cold starts"."""
    return [_ONE_MORE[word](number) for word, number in missing.items()]
