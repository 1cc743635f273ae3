"""Follow an agent: turn what it says into lines, without losing or doubling one.

An agent numbers its observations and keeps the newest in a buffer. Under one instance id the
numbers grow; when it is started anew they begin again under another one, and some agents forget the
other one. What falls out of the buffer unheard is lost, but for the count: that one runs on, so the
next reading bridges the gap. Each gap is put on record, and so is a count that is not available.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Protocol

from trialog.feeds.mtconnect.agent import AT_ONCE
from trialog.feeds.mtconnect.documents import (
    OUT_OF_RANGE,
    UNAVAILABLE,
    AgentError,
    Observation,
    Streams,
)
from trialog.records.entries import EARLIEST, LARGEST_COUNTER, STATE
from trialog.records.feeds import Position
from trialog.records.hearing import Said

MOST_OVERRUNS = 3
"""How often one after another the buffer may outrun us before what holds now has to do."""

KEEP_EVERY = timedelta(seconds=10)
"""How often at least a position without lines is written."""

NOT_AVAILABLE = "the machine's part count was not available"
NO_COUNT = "the agent gave a part count that is no whole number"


class Speaks(Protocol):
    """What is asked of an agent."""

    def current(self) -> Streams:
        """Return what holds now."""

    def sample(self, start: int) -> Streams:
        """Return what came since."""


Keep = Callable[[Sequence[Said], Position, int, float | None], None]
"""Writes lines and position, with the number of gaps and how far the agent's clock is ahead."""


@dataclass(frozen=True)
class Items:
    """Which data items are listened to, and what the ids of their lines begin with."""

    key: str
    count: str
    state: str | None


@dataclass
class Follower:
    """One agent's follower: where it stands, and what it has to put on record."""

    agent: Speaks
    items: Items
    position: Position
    keep: Keep
    clock: Callable[[], datetime]
    overruns: int = 0
    kept_at: datetime | None = None

    def poll(self) -> bool:
        """Ask once for what came since, and write it; say whether more may wait already."""
        if self.position.next is None:
            self._begin(self.position, None)
            return True
        asked = self.position.next
        try:
            document = self.agent.sample(asked)
        except AgentError as error:
            self.refused(error)
            return True
        return self.take(document)

    def refused(self, error: AgentError) -> None:
        """Find the way back after an agent refused to tell what came since.

        Raises
        ------
        AgentError
            If it did so for another reason than that it does not hold that any more.
        """
        if error.code != OUT_OF_RANGE or self.position.next is None:
            raise error
        now, asked = self.agent.current(), self.position.next
        if now.header.instance != self.position.instance or now.header.next < asked:
            self._restarted(now)
            return
        if now.header.first <= asked:
            raise error
        self.overruns += 1
        if self.overruns >= MOST_OVERRUNS:
            self._begin(self.position, _lost(asked, now.header.next - 1), now)
            return
        gap = self._gap(_lost(asked, now.header.first - 1))
        self._write([gap], replace(self.position, next=now.header.first), gaps=1)

    def take(self, document: Streams) -> bool:
        """Write what a document says; say whether more may wait already."""
        header, asked = document.header, self.position.next
        if asked is None or header.instance != self.position.instance or header.next < asked:
            self._restarted(None)
            return True
        self.overruns = 0
        said: list[Said] = []
        gaps = 0
        if header.first > asked:
            said.append(self._gap(_lost(asked, header.first - 1)))
            gaps = 1
        fresh = [one for one in document.observations if one.sequence >= asked]
        said += self._lines(document, fresh)
        last = max((one.sequence + 1 for one in fresh), default=asked)
        ahead = max(header.next, last)
        self._write(said, replace(self.position, next=ahead), gaps=gaps, document=document)
        return ahead > asked and (bool(fresh) or ahead - asked >= AT_ONCE)

    def _restarted(self, now: Streams | None) -> None:
        now = now or self.agent.current()
        why = "the agent was started anew; what it said before may be lost"
        rewinds = self.position.rewinds
        if now.header.instance == self.position.instance:
            rewinds += 1
        self._begin(replace(self.position, rewinds=rewinds), why, now)

    def _begin(self, position: Position, why: str | None, now: Streams | None = None) -> None:
        """Take what holds now, and go on from there."""
        now = now or self.agent.current()
        gap = [] if why is None else [self._gap(why)]
        self.position = replace(position, instance=now.header.instance, next=now.header.next)
        self.overruns = 0
        lines = self._lines(now, now.observations)
        self.kept_at = None
        self._write([*gap, *lines], self.position, gaps=len(gap), document=now)

    def _gap(self, why: str) -> Said:
        """Return the line that puts a gap on record, just after the last one that was heard."""
        where = self.position
        number = f"{self.items.key}-{where.instance}-{where.rewinds}-{where.next}-gap"
        return Said(client_id=f"feed-{number}", gap=why)

    def _lines(self, document: Streams, observations: Sequence[Observation]) -> list[Said]:
        lines = (self._line(document, one) for one in observations)
        return [line for line in lines if line is not None]

    def _line(self, document: Streams, one: Observation) -> Said | None:
        where = self.position
        said = Said(
            client_id=f"feed-{self.items.key}-{where.instance}-{where.rewinds}-{one.sequence}",
            at=self._time(document, one),
        )
        if one.item == self.items.state:
            state = one.value.upper()
            return replace(said, state=state) if STATE.fullmatch(state) else None
        if one.value == UNAVAILABLE:
            return replace(said, gap=NOT_AVAILABLE)
        counter = _whole(one.value)
        if counter is None:
            return replace(said, gap=NO_COUNT)
        return replace(said, counter=counter, reset=bool(one.reset))

    def _time(self, document: Streams, one: Observation) -> datetime | None:
        """Return when something was, by our clock: how long ago it was by the agent's.

        A time of ages ago is one that the machine's clock, or its agent, does not know.
        """
        made, at = document.header.created_at, one.at
        try:
            if at is not None and made is not None:
                at = self.clock() - (made - at)
        except OverflowError:
            return None
        return None if at is None or at < EARLIEST else at

    def _write(
        self,
        said: Sequence[Said],
        position: Position,
        *,
        gaps: int = 0,
        document: Streams | None = None,
    ) -> None:
        now = self.clock()
        recent = self.kept_at is not None and now - self.kept_at < KEEP_EVERY
        if said or gaps or not recent:
            self.keep(said, position, gaps, _ahead(document, now))
            self.kept_at = now
        self.position = position


def _lost(first: int, last: int) -> str:
    return f"observations {first} to {last} of the agent's were lost before they were heard"


def _ahead(document: Streams | None, now: datetime) -> float | None:
    if document is None or document.header.created_at is None:
        return None
    return (document.header.created_at - now).total_seconds()


def _whole(text: str) -> int | None:
    """Read a count: a whole number, which some agents write as 12.0."""
    try:
        number = Decimal(text) if len(text) <= 40 else None
    except InvalidOperation:
        return None
    if number is None or not number.is_finite() or number != number.to_integral_value():
        return None
    return int(number) if 0 <= number <= LARGEST_COUNTER else None
