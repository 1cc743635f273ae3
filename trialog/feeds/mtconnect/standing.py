"""How a feed stands, in a word, a sentence and figures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from trialog.records.feeds import LEASE
from trialog.records.models import Feed

QUIET = timedelta(minutes=2)
"""After so long without a word somebody should look; agents send a heartbeat every ten seconds."""

CLOCK_OFF_SECONDS = 30.0


class FeedState(StrEnum):
    """How a feed stands."""

    LISTENING = "listening"
    FAILING = "not heard"
    SILENT = "nobody follows it"
    PAUSED = "paused"


@dataclass(frozen=True)
class FeedStanding:
    """A feed as lists show it. Times in UTC."""

    cell: str
    cell_id: int
    state: FeedState
    url: str
    device: str | None
    count_item: str
    state_item: str | None
    mode: str
    heard_at: datetime | None
    failing_since: datetime | None
    last_error: str
    gaps: int
    clock_ahead_seconds: float | None
    next_sequence: int | None

    @property
    def clock_is_off(self) -> bool:
        """Whether somebody should set the machine's clock; lines have right times all the same."""
        return abs(self.clock_ahead_seconds or 0) > CLOCK_OFF_SECONDS

    @property
    def in_words(self) -> str:
        """Say it in one or two lines."""
        heard = "never heard" if self.heard_at is None else f"last heard {_time(self.heard_at)}"
        gaps = "no gap" if self.gaps == 0 else f"{self.gaps} gap{'s' if self.gaps > 1 else ''}"
        words = f"{self.cell}: {self.state}, {heard}, {gaps}; {self.url} ({self.count_item})"
        return f"{words}\n  {self.last_error}" if self.last_error else words

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain data, with the documented keys."""
        told = asdict(self)
        del told["cell_id"]
        for name in ("heard_at", "failing_since"):
            told[name] = None if told[name] is None else told[name].isoformat()
        return told | {"state": str(self.state)}


def feed_standing(feed: Feed, now: datetime) -> FeedStanding:
    """Say how a feed stands at a moment."""
    return FeedStanding(
        cell=feed.cell.name,
        cell_id=feed.cell_id,
        state=_state(feed, now),
        url=feed.url,
        device=feed.device,
        count_item=feed.count_item,
        state_item=feed.state_item,
        mode=str(feed.mode),
        heard_at=feed.heard_at,
        failing_since=feed.failing_since,
        last_error=feed.last_error,
        gaps=feed.gaps,
        clock_ahead_seconds=feed.clock_ahead_seconds,
        next_sequence=feed.next_sequence,
    )


@dataclass(frozen=True)
class FeedsStanding:
    """How all feeds stand together: without names, for whoever watches the server."""

    by_state: Mapping[FeedState, int]
    """How many there are in each state; every state has its number."""

    longest_quiet: timedelta
    """How long the one that was not heard for longest was not, of those that are not paused."""


def feeds_standing(feeds: Iterable[Feed], now: datetime) -> FeedsStanding:
    """Say how feeds stand together at a moment."""
    states, longest = Counter[FeedState](), timedelta()
    for feed in feeds:
        states[_state(feed, now)] += 1
        if feed.enabled:
            longest = max(longest, now - (feed.heard_at or feed.added_at))
    return FeedsStanding({state: states[state] for state in FeedState}, longest)


def _state(feed: Feed, now: datetime) -> FeedState:
    if not feed.enabled:
        return FeedState.PAUSED
    if feed.held_until is None or feed.held_until + LEASE < now:
        return FeedState.SILENT
    if feed.failing_since is not None or feed.heard_at is None or feed.heard_at + QUIET < now:
        return FeedState.FAILING
    return FeedState.LISTENING


def _time(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M:%S} UTC"
