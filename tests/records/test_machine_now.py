"""A machine's count that is offered in place of a typed one: only where it is known just now."""

from __future__ import annotations

from datetime import timedelta

import pytest
from support.cells import count, make_cell

from trialog.records.feeds import NewFeed, add_feed, switch_feed
from trialog.records.machine_now import LATELY, CountNow, count_now
from trialog.records.words import FeedMode

MINUTE = timedelta(minutes=1)
LONG = LATELY + MINUTE


@pytest.fixture
def told(logbook, now):
    """Return a function that writes what the machine said so long ago."""

    def say(ago, counter=None, **fields):
        logbook.write(count(counter, occurred_at=now - ago, **fields))

    return say


@pytest.fixture
def offered(session, cell, now):
    """Return a function that says what is offered."""

    def ask():
        session.rollback()
        session.refresh(cell.cell)
        return count_now(session, cell.cell, now=now)

    return ask


@pytest.fixture
def feed(session, cell, now):
    """Return a feed that heard the cell's machine a moment ago."""
    new = NewFeed(
        url="http://127.0.0.1:5000", device=None, count_item="c", state_item=None,
        mode=FeedMode.POLLING,
    )  # fmt: skip
    feed = add_feed(session, cell.cell, new, actor=None, now=now)
    feed.heard_at = now - timedelta(seconds=5)
    session.commit()
    return feed


def test_where_no_machine_says_anything_nothing_is_offered(offered):
    assert offered() is None


def test_the_newest_count_is_offered_with_its_time(told, offered, now):
    told(3 * MINUTE, 5_411)
    told(2 * MINUTE, 5_412)
    told(MINUTE, text="READY")
    at = now - 2 * MINUTE
    assert offered() == CountNow(5_412, at, at + LATELY)


def test_another_cells_count_is_not(session, told, now):
    told(MINUTE, 5_412)
    other = make_cell(session, now, "Lathe 9").cell
    session.commit()
    assert count_now(session, other, now=now) is None


def test_an_old_count_is_not_offered(told, offered):
    told(LONG, 5_412)
    assert offered() is None


def test_after_a_gap_nobody_can_tell_until_the_next_count(told, offered, now):
    told(3 * MINUTE, 5_412)
    told(2 * MINUTE, reason="the machine's part count was not available")
    assert offered() is None
    told(MINUTE, 5_420)
    assert offered().counter == 5_420


def test_a_machine_that_stands_still_is_heard_by_its_feed(told, offered, feed, now):
    told(LONG, 5_412)
    assert offered() == CountNow(5_412, feed.heard_at, feed.heard_at + LATELY)


def test_a_feed_that_hears_nothing_vouches_for_nothing(session, told, offered, feed, now):
    told(LONG, 5_412)
    feed.failing_since = now
    session.commit()
    assert offered() is None
    feed.failing_since = None
    switch_feed(session, feed, on=False, actor=None, now=now)
    session.commit()
    assert offered() is None
    switch_feed(session, feed, on=True, actor=None, now=now)
    feed.heard_at = now - LONG
    session.commit()
    assert offered() is None
