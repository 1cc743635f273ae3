"""Run followers until they are told to stop: one thread for each feed."""

from __future__ import annotations

import logging
import os
import socket
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from sqlalchemy import select
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session, sessionmaker

from trialog.errors import TrialogError
from trialog.feeds.mtconnect.agent import Agent, Waits
from trialog.feeds.mtconnect.documents import AgentError, FeedError
from trialog.feeds.mtconnect.following import Follower, Items
from trialog.records.database import unit_of_work
from trialog.records.feeds import (
    LeaseLostError,
    Position,
    keep_heard,
    let_go,
    note_failure,
    take_feed,
)
from trialog.records.hearing import Said
from trialog.records.models import Cell, Feed
from trialog.records.words import FeedMode

_log = logging.getLogger(__name__)

Changed = Callable[[Session, Cell], None]
"""What is done, in a transaction of its own, after a closed shift came to be told anew."""


@dataclass(frozen=True)
class Pace:
    """How long is waited, in seconds: between polls, after failures, for a feed others follow."""

    poll: float = 2.0
    retry: float = 1.0
    longest_retry: float = 30.0
    taken: float = 15.0


@dataclass
class Runner:
    """Follows one feed until `stopped` is set."""

    sessions: sessionmaker[Session]
    feed_id: int
    stopped: threading.Event
    changed: Changed
    pace: Pace = field(default_factory=Pace)
    waits: Waits = field(default_factory=Waits)
    clock: Callable[[], datetime] = lambda: datetime.now(UTC)
    holder: str = ""
    failures: int = 0

    def __post_init__(self) -> None:
        """Give it a name that no other follower has."""
        name = f"{socket.gethostname()[:24]}:{os.getpid()}:{threading.get_ident()}"
        self.holder = self.holder or f"{name[:48]}:{os.urandom(4).hex()}"

    def run(self) -> None:
        """Follow the feed until it is paused or removed, or told to stop.

        What goes wrong is noted with it and tried again, ever more seldom.
        """
        while not self.stopped.is_set() and self._is_wanted():
            wait = self._once()
            self.stopped.wait(wait)
        self._in_records(lambda session: let_go(session, self.feed_id, self.holder))

    def _is_wanted(self) -> bool:
        wanted = _wanted(self.sessions, [self.feed_id])
        return wanted is None or self.feed_id in wanted

    def _once(self) -> float:
        """Follow until something goes wrong; return how long to wait before the next try."""
        try:
            follower = self._take()
            if follower is None:
                return self.pace.taken
            self._follow(follower)
        except LeaseLostError:
            return self.pace.taken
        except FeedError as error:
            return self._failed(str(error))
        except OperationalError:
            _log.exception("feed %s: the database could not be reached", self.feed_id)
            return self._longer()
        except TrialogError as error:
            return self._failed(str(error))
        return 0.0

    def _take(self) -> Follower | None:
        with self.sessions() as session, unit_of_work(session):
            position = take_feed(session, self.feed_id, self.holder, now=self.clock())
            if position is None:
                return None
            feed = session.get_one(Feed, self.feed_id)
            items = Items(feed.key, feed.count_item, feed.state_item)
            named = [item for item in (items.count, items.state) if item is not None]
            agent = Agent(feed.url, feed.device, named, self.waits)
            self.streams = feed.mode is FeedMode.STREAMING
        return Follower(agent, items, position, self._keep, self.clock)

    def _follow(self, follower: Follower) -> None:
        while not self.stopped.is_set():
            more = follower.poll()
            self.failures = 0
            if more:
                continue
            if self.streams and follower.position.next is not None:
                self._listen(follower)
            else:
                self.stopped.wait(self.pace.poll)

    def _listen(self, follower: Follower) -> None:
        """Take what an agent streams, until something has to be asked for."""
        agent = follower.agent
        if not isinstance(agent, Agent) or follower.position.next is None:
            return
        try:
            answers = 0
            for document in agent.stream(follower.position.next):
                answers += 1
                before = follower.position
                follower.take(document)
                begun_anew = (before.instance, before.rewinds) != (
                    follower.position.instance, follower.position.rewinds,
                )  # fmt: skip
                if self.stopped.is_set() or begun_anew:
                    return
                self.failures = 0
            if answers == 1:  # it cannot stream: it answered once, as to a poll
                self.stopped.wait(self.pace.poll)
        except AgentError as error:
            follower.refused(error)

    def _keep(
        self, said: Sequence[Said], position: Position, gaps: int, ahead: float | None
    ) -> None:
        with self.sessions() as session:
            with unit_of_work(session):
                heard, cell = keep_heard(
                    session, self.feed_id, self.holder, said, position,
                    gaps=gaps, clock_ahead=ahead, now=self.clock(),
                )  # fmt: skip
            if heard.late:
                self._tell(session, cell)

    def _tell(self, session: Session, cell: Cell) -> None:
        """Let others know; what was heard stands whatever comes of it."""
        try:
            with unit_of_work(session):
                self.changed(session, cell)
        except Exception:
            _log.exception("feed %s: the change of verdicts could not be noted", self.feed_id)

    def _failed(self, words: str) -> float:
        _log.warning("feed %s: %s", self.feed_id, words)
        self._in_records(
            lambda session: note_failure(
                session, self.feed_id, self.holder, words, now=self.clock()
            )
        )
        return self._longer()

    def _longer(self) -> float:
        wait: float = min(self.pace.retry * 2**self.failures, self.pace.longest_retry)
        self.failures = min(self.failures + 1, 16)
        return wait

    def _in_records(self, do: Callable[[Session], None]) -> None:
        try:
            with self.sessions() as session, unit_of_work(session):
                do(session)
        except (OperationalError, LeaseLostError) as error:
            _log.warning("feed %s: %s", self.feed_id, error)


def follow_all(
    sessions: sessionmaker[Session],
    stopped: threading.Event,
    changed: Changed,
    *,
    only: Sequence[int] = (),
    look_every: float = 15.0,
    pace: Pace | None = None,
) -> None:
    """Follow every feed that is not paused, also those that are added meanwhile, until stopped.

    `only`: the feeds to follow, if not all.
    """
    threads: dict[int, threading.Thread] = {}
    while not stopped.is_set():
        for feed_id in _wanted(sessions, only) or ():
            known = threads.get(feed_id)
            if known is None or not known.is_alive():
                runner = Runner(sessions, feed_id, stopped, changed, pace or Pace())
                thread = threading.Thread(target=runner.run, name=f"feed {feed_id}", daemon=True)
                threads[feed_id] = thread
                thread.start()
        stopped.wait(look_every)
    for thread in threads.values():
        thread.join(5.0)


def _wanted(sessions: sessionmaker[Session], only: Sequence[int]) -> Sequence[int] | None:
    """Return which feeds are to be followed; None where the database cannot be asked."""
    try:
        with sessions() as session:
            statement = select(Feed.id).where(Feed.enabled).order_by(Feed.id)
            return [one for one in session.scalars(statement) if not only or one in only]
    except OperationalError:
        _log.exception("the list of feeds could not be read; the next look tries again")
        return None
