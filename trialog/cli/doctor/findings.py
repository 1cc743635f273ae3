"""What the doctor finds: each with a level, in words, and with what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Level(StrEnum):
    """How a finding is meant."""

    OK = "ok"
    LOOK = "look"
    WRONG = "wrong"


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at. `do` is empty where there is nothing to be done."""

    name: str
    level: Level
    says: str
    do: str = ""


def ok(name: str, says: str) -> Finding:
    """Return a finding that all is well."""
    return Finding(name, Level.OK, says)


def look(name: str, says: str, do: str) -> Finding:
    """Return a finding that somebody should look at, though all works."""
    return Finding(name, Level.LOOK, says, do)


def wrong(name: str, says: str, do: str) -> Finding:
    """Return a finding that something is wrong."""
    return Finding(name, Level.WRONG, says, do)
