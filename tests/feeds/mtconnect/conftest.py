"""A cell whose machine is listened to, and short ways to listen."""

from __future__ import annotations

import threading

import pytest
from sqlalchemy import select
from support.agent import COUNT, ITEMS, STATE, Bench, Machine

from trialog.feeds.mtconnect.agent import Waits
from trialog.feeds.mtconnect.documents import FeedError
from trialog.feeds.mtconnect.running import Pace, Runner
from trialog.records.counting import last_reading
from trialog.records.database import unit_of_work
from trialog.records.feeds import NewFeed, add_feed
from trialog.records.models import Entry, Feed
from trialog.records.verify import verify
from trialog.records.words import EntryKind, FeedMode

QUICK = Pace(poll=0.01, retry=0.01, longest_retry=0.02, taken=0.02)
WAITS = Waits(connect=20.0, silence=20.0, document=30.0)


class Listening:
    """A feed, the agent behind it, and what has come of it."""

    def __init__(self, sessions, feed_id, bench, cell_id):
        self.sessions, self.feed_id, self.bench, self.cell_id = sessions, feed_id, bench, cell_id
        self.machine = bench.machine
        self.told = []
        self.runner = self.another()

    def another(self):
        """Return one more follower of the feed."""
        return Runner(
            self.sessions, self.feed_id, threading.Event(), lambda *told: self.told.append(told),
            QUICK, WAITS,
        )  # fmt: skip

    def hear(self):
        """Ask until nothing new comes; what goes wrong is raised."""
        follower = self.runner._take()
        while follower.poll():
            pass

    def hear_through(self, tries=12):
        """Ask until it goes through, as a follower does that meets with faults."""
        for _ in range(tries):
            try:
                self.hear()
                return
            except FeedError as error:
                self.runner._failed(str(error))
        raise AssertionError("the agent was not heard")

    def look(self, do):
        with self.sessions() as session:
            return do(session)

    def lines(self):
        statement = select(Entry).where(Entry.kind == EntryKind.COUNT).order_by(Entry.sequence)
        return self.look(lambda session: session.scalars(statement).all())

    def counts(self):
        return [line.counter for line in self.lines() if line.counter is not None]

    def states(self):
        return [line.text for line in self.lines() if line.text]

    def gaps(self):
        return [line.reason for line in self.lines() if line.reason]

    def feed(self):
        return self.look(lambda session: session.get(Feed, self.feed_id))

    def reading(self):
        return self.look(lambda session: last_reading(session, self.cell_id))

    def verify(self):
        return self.look(verify)


@pytest.fixture
def listen(sessions, session, cell):
    """Return a function that starts an agent and lets the cell listen to it."""
    open_now = []

    def start(machine=None, *, mode=FeedMode.POLLING):
        bench = Bench(machine or Machine()).__enter__()
        open_now.append(bench)
        with unit_of_work(session):
            new = NewFeed(
                url=bench.url, device="lathe", count_item=COUNT, state_item=STATE, mode=mode
            )
            feed = add_feed(session, cell.cell, new, actor=None, now=cell.cell.created_at)
            feed_id = feed.id
        return Listening(sessions, feed_id, bench, cell.id)

    assert set(ITEMS) > {COUNT, STATE}
    yield start
    for bench in open_now:
        bench.__exit__()
