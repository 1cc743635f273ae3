"""Numbers in the phrases that plans say."""

from __future__ import annotations


def counted(number: int, noun: str) -> str:
    """Return "1 failure", "2 failures", "1,604 cycles"."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"
