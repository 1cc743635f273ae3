"""The stops of a shift, with their clear times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from trialog.records.models import Entry
from trialog.records.words import EntryKind


@dataclass(frozen=True)
class Stop:
    """An interruption that somebody cleared."""

    at: datetime
    person: str | None
    clear_seconds: int | None
    text: str


@dataclass(frozen=True)
class Stops:
    """The stops of a shift; times in seconds, None where no clear time was written down."""

    count: int
    without_clear_time: int
    total_seconds: int | None
    mean_seconds: float | None
    longest_seconds: int | None
    each: tuple[Stop, ...]


def stops_of(standing: Sequence[Entry]) -> Stops:
    """Add up the stops among the lines that stand, whoever or whatever wrote them down."""
    each = tuple(
        Stop(
            entry.occurred_at,
            None if entry.person is None else entry.person.name,
            entry.clear_seconds,
            entry.text,
        )
        for entry in standing
        if entry.kind is EntryKind.STOP
    )
    times = [stop.clear_seconds for stop in each if stop.clear_seconds is not None]
    return Stops(
        count=len(each),
        without_clear_time=len(each) - len(times),
        total_seconds=sum(times) if times else None,
        mean_seconds=sum(times) / len(times) if times else None,
        longest_seconds=max(times, default=None),
        each=each,
    )
