"""The lines that a verdict is made of."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Reason:
    """One line of the verdict: what must hold, whether it does, and its figure."""

    name: str
    met: bool
    detail: str


def some(number: int, word: str) -> str:
    """Say how many of something there are."""
    return f"{number:,} {word}" + ("" if number == 1 else "s")
