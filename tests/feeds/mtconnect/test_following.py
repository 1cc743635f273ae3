"""A machine is followed through its agent, whatever the agent does: no reading is lost or doubled.

The standard: ANSI/MTC1.4 (MTConnect), part 1, on requests, sequence numbers and instance ids; as
remembered, but for the documents, which `.ci/run` checks against the standard's own schemas.
"""

from __future__ import annotations

import random
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from support.agent import AFTER, BEFORE, COUNT, STATE, Machine
from support.cells import closing, opening, write
from support.waiting import until

from trialog.feeds.mtconnect.documents import AgentError, FeedError
from trialog.feeds.mtconnect.running import Pace, follow_all
from trialog.records.database import unit_of_work
from trialog.records.feeds import LEASE, LeaseLostError, Position, switch_feed, take_feed
from trialog.records.models import Feed, Shift
from trialog.records.words import CounterEvent, FeedMode

# What goes on between a follower and an agent is the same on either database. Where it is about
# what they keep and how they keep off each other, it is tested on both.
pytestmark = pytest.mark.database("sqlite")
on_both = pytest.mark.database("sqlite", "postgresql")


@on_both
def test_it_begins_with_what_holds_and_goes_on_from_there(listen):
    heard = listen(Machine(counter=400))
    heard.hear()
    assert (heard.counts(), heard.states(), heard.gaps()) == ([400], ["READY"], [])
    heard.machine.say(STATE, "ACTIVE")
    heard.machine.part(3)
    heard.hear()
    assert heard.counts() == [400, 401, 402, 403]
    assert heard.states() == ["READY", "ACTIVE"]
    assert heard.verify() == []


def test_only_what_is_listened_to_is_asked_for(listen):
    heard = listen()
    heard.hear()
    assert all("path=" in asked and asked.startswith("/lathe/") for asked in heard.bench.asked)


@on_both
def test_it_goes_on_where_its_last_lines_stand_after_the_follower_died(listen):
    heard = listen()
    heard.hear()
    heard.machine.part(5)
    heard.runner = heard.another()
    with pytest.raises(AttributeError):
        heard.hear()  # the dead one's lease holds still
    heard.runner.clock = lambda: datetime.now(UTC) + 2 * LEASE
    heard.hear()
    assert heard.counts() == [0, 1, 2, 3, 4, 5]


@on_both
def test_of_two_followers_one_listens(listen):
    heard = listen()
    first, other = heard.runner, heard.another()
    taken = first._take()
    assert other._take() is None
    other.clock = lambda: datetime.now(UTC) + 2 * LEASE
    assert other._take() is not None
    with pytest.raises(LeaseLostError):
        taken.poll()
    assert heard.lines() == []


@on_both
def test_one_that_died_with_a_clock_far_ahead_does_not_hold_its_feed_for_ever(listen):
    heard = listen()
    other = heard.another()
    heard.runner.clock = lambda: datetime.now(UTC) + timedelta(days=400)
    assert heard.runner._take() is not None
    assert other._take() is not None


@on_both
def test_of_followers_that_begin_at_once_one_listens(listen):
    heard = listen()
    followers = [heard.another() for _ in range(4)]
    together = threading.Barrier(len(followers))
    taken = []

    def take(follower):
        together.wait(10)
        taken.append(follower._take())

    threads = [threading.Thread(target=take, args=(one,)) for one in followers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert len(taken) == len(followers)
    assert sum(one is not None for one in taken) == 1


def test_more_than_comes_in_one_document_is_asked_for_until_all_is_there(listen):
    heard = listen(Machine(size=5000))
    heard.hear()
    heard.machine.part(2300)
    heard.hear()
    assert heard.counts() == list(range(2301))
    assert heard.verify() == []


@on_both
@pytest.mark.parametrize("same_instance", [False, True])
def test_an_agent_that_is_started_anew_leaves_a_gap_that_the_count_bridges(listen, same_instance):
    heard = listen()
    heard.hear()
    heard.machine.part(10)
    heard.hear()
    heard.machine.restart(same_instance=same_instance, parts_meanwhile=7)
    heard.hear()
    heard.machine.part(2)
    heard.hear()
    assert heard.counts() == [*range(11), 17, 18, 19]
    assert heard.gaps() == ["the agent was started anew; what it said before may be lost"]
    assert heard.feed().gaps == 1
    assert heard.verify() == []


@on_both
def test_what_fell_out_of_the_buffer_is_on_record_as_lost(listen):
    heard = listen(Machine(size=20))
    heard.hear()
    heard.machine.part(50)
    heard.hear()
    assert heard.counts() == [0, *range(31, 51)]
    (gap,) = heard.gaps()
    assert gap == "observations 4 to 33 of the agent's were lost before they were heard"


def test_an_agent_that_answers_all_the_same_does_not_hide_what_was_lost(listen):
    heard = listen(Machine(size=20))
    heard.hear()
    heard.machine.part(50)
    heard.machine.misbehave = "clamps"
    heard.hear()
    assert heard.counts()[-1] == 50
    assert len(heard.gaps()) == 1


def test_a_buffer_that_outruns_every_question_is_given_up_for_what_holds_now(listen):
    heard = listen(Machine(size=10))
    heard.hear()
    follower = heard.runner._take()

    def sample(_start):
        heard.machine.part(30)
        raise AgentError("OUT_OF_RANGE", "too late")

    follower.agent.sample = sample
    for _ in range(3):
        heard.machine.part(30)
        follower.poll()
    assert heard.counts()[-1] == heard.machine.counter


def test_a_count_that_is_not_available_is_on_record(listen):
    heard = listen()
    heard.hear()
    heard.machine.say(COUNT, "UNAVAILABLE")
    heard.machine.say(STATE, "UNAVAILABLE")
    heard.hear()
    heard.machine.part(4)
    heard.hear()
    assert heard.gaps() == ["the machine's part count was not available"]
    assert heard.states()[-1] == "UNAVAILABLE"
    assert heard.counts() == [0, 1, 2, 3, 4]


@pytest.mark.parametrize(
    ("value", "counts", "gaps"),
    [
        ("12.0", [0, 12], 0),
        (" 13 ", [0, 13], 0),
        ("12.5", [0], 1),
        ("many", [0], 1),
        ("-1", [0], 1),
        ("", [0], 1),
        ("NaN", [0], 1),
        ("9" * 41, [0], 1),
        ("1E999999", [0], 1),
        ("0", [0], 0),
    ],
)
def test_a_count_is_a_whole_number(listen, value, counts, gaps):
    heard = listen()
    heard.hear()
    heard.machine.say(COUNT, value)
    heard.hear()
    assert (heard.counts(), len(heard.gaps())) == (counts, gaps)


def test_a_state_that_is_no_word_is_passed_over(listen):
    heard = listen()
    heard.machine.say(STATE, "on fire!")
    heard.machine.say(STATE, "feed_hold")
    heard.hear()
    assert heard.states() == ["FEED_HOLD"]


@on_both
def test_a_count_that_falls_was_reset(listen):
    heard = listen()
    heard.machine.part(9)
    heard.hear()
    heard.machine.reset()
    heard.machine.part(2)
    heard.machine.say(COUNT, "2", reset=True)
    heard.hear()
    events = [line.counter_event for line in heard.lines() if line.counter is not None]
    assert events == [None, CounterEvent.RESET, None, None, CounterEvent.RESET]


@on_both
@pytest.mark.parametrize("kind", ["doubles", "from before"])
def test_what_is_said_twice_stands_once(listen, kind):
    heard = listen()
    heard.hear()
    heard.machine.misbehave = kind
    heard.machine.part(5)
    heard.hear()
    heard.hear()
    assert heard.counts() == [0, 1, 2, 3, 4, 5]


@pytest.mark.parametrize("skew", [timedelta(days=400), timedelta(days=-400)])
def test_a_clock_that_is_wrong_moves_no_line(listen, skew):
    heard = listen(Machine(skew=skew))
    before = datetime.now(UTC) - timedelta(seconds=2)
    heard.hear()
    heard.machine.part()
    heard.hear()
    times = [line.occurred_at for line in heard.lines()]
    assert before <= min(times)
    assert max(times) <= datetime.now(UTC)
    assert times == sorted(times)
    assert heard.feed().clock_ahead_seconds == pytest.approx(skew.total_seconds(), abs=30)


def test_an_agent_without_paths_is_asked_without(listen):
    heard = listen()
    heard.hear()
    heard.machine.misbehave = "no paths"
    heard.machine.part(2)
    heard.hear()
    assert heard.counts() == [0, 1, 2]


def test_much_that_nobody_listens_to_does_not_hold_a_count_up(listen):
    heard = listen(Machine(size=5000))
    heard.machine.misbehave = "no paths"
    heard.hear()
    heard.machine.chatter(2300)
    heard.machine.part()
    heard.hear()
    assert heard.counts() == [0, 1]


def test_a_time_of_ages_ago_is_none(listen):
    heard = listen()
    unset = datetime.min.replace(tzinfo=UTC)
    heard.machine.latest[COUNT] = replace(heard.machine.latest[COUNT], at=unset)
    before = datetime.now(UTC)
    heard.hear()
    assert heard.counts() == [0]
    assert min(line.occurred_at for line in heard.lines()) >= before - timedelta(seconds=2)


@on_both
def test_a_server_whose_clock_is_set_back_goes_on_hearing(listen):
    heard = listen()
    ahead = timedelta(minutes=30)
    heard.runner.clock = lambda: datetime.now(UTC) + ahead
    heard.hear()
    stamped = heard.lines()[-1].occurred_at
    heard.runner.clock = lambda: datetime.now(UTC)
    heard.machine.part(2)
    heard.hear()
    assert heard.counts() == [0, 1, 2]
    assert [line.occurred_at for line in heard.lines()[-2:]] == [stamped, stamped]
    assert heard.verify() == []


FAULTS = sorted({*BEFORE, *AFTER})


@pytest.mark.parametrize("fault", FAULTS)
def test_whatever_an_agent_answers_is_refused_in_words_and_nothing_is_lost(listen, fault):
    heard = listen()
    heard.hear()
    heard.machine.part(3)
    heard.machine.misbehave = fault
    with pytest.raises(FeedError) as raised:
        heard.hear()
    heard.runner._failed(str(raised.value))
    feed = heard.feed()
    assert "agent" in feed.last_error or "must be" in feed.last_error
    assert feed.failing_since is not None
    assert heard.counts() == [0]
    heard.machine.misbehave = ""
    heard.hear()
    assert heard.counts() == [0, 1, 2, 3]
    assert (heard.feed().last_error, heard.feed().failing_since) == ("", None)


def test_an_agent_that_is_not_there_is_said_so(listen):
    heard = listen()
    heard.bench.__exit__()
    with pytest.raises(FeedError, match="the agent cannot be reached"):
        heard.hear()
    heard.bench.__exit__ = lambda *_: None


@pytest.mark.parametrize("kind", ["", "no lengths", "no streams"])
def test_a_stream_is_listened_to_as_it_comes(listen, kind):
    heard = listen(mode=FeedMode.STREAMING)
    heard.machine.misbehave = kind
    thread = threading.Thread(target=heard.runner.run)
    thread.start()
    for number in (1, 2, 3):
        until(lambda number=number: heard.counts()[-1:] == [number - 1])
        heard.machine.part()
    until(lambda: heard.counts() == [0, 1, 2, 3])
    heard.machine.misbehave = "hangs up"
    heard.runner.stopped.set()
    thread.join(60)
    assert heard.feed().holder is None
    assert heard.verify() == []


@on_both
@pytest.mark.parametrize("kind", ["hangs up", "truncates", "drops"])
def test_a_stream_that_breaks_off_is_taken_up_again(listen, kind):
    heard = listen(mode=FeedMode.STREAMING)
    thread = threading.Thread(target=heard.runner.run)
    thread.start()
    until(lambda: heard.counts() == [0])
    heard.machine.misbehave = kind
    heard.machine.part(2)
    until(lambda: heard.feed().last_error)
    heard.machine.misbehave = ""
    heard.machine.part(2)
    until(lambda: heard.counts() == [0, 1, 2, 3, 4])
    heard.machine.restart(parts_meanwhile=3)
    until(lambda: heard.counts()[-1] == 7)
    heard.machine.misbehave = "hangs up"
    heard.runner.stopped.set()
    thread.join(60)
    assert len(heard.gaps()) == 1


@pytest.fixture
def follows(listen):
    """Let every feed be followed, and return what tells whether the feed's follower runs."""
    heard = listen()
    over = threading.Event()
    following = threading.Thread(
        target=follow_all, args=(heard.sessions, over, lambda *_told: None),
        kwargs={"look_every": 0.02, "pace": Pace(poll=0.01, taken=0.02)},
    )  # fmt: skip

    def runs():
        return any(one.name == f"feed {heard.feed_id}" for one in threading.enumerate())

    following.start()
    yield heard, runs
    over.set()
    following.join(30)
    assert not runs()


def test_a_follower_ends_with_its_feeds_pause_and_another_goes_on_after_it(follows, session):
    heard, runs = follows

    def switch(*, on):
        session.rollback()
        with unit_of_work(session):
            feed = session.get_one(Feed, heard.feed_id)
            switch_feed(session, feed, on=on, actor=None, now=datetime.now(UTC))

    until(lambda: heard.counts() == [0])
    switch(on=False)
    heard.machine.part()  # which it hears, and may not write any more
    until(lambda: not runs())
    assert heard.counts() == [0]
    switch(on=True)
    until(lambda: heard.counts() == [0, 1])


@on_both
def test_late_readings_are_told_on_for_the_verdict(listen, session, cell):
    begin = datetime.now(UTC)

    def ago(seconds):
        return begin - timedelta(seconds=seconds)

    heard = listen(Machine(skew=timedelta(seconds=-90)))
    heard.runner.clock = lambda: ago(90)
    heard.hear()
    for parts, seconds in ((5, 60), (4, 30), (0, 0)):
        heard.machine.skew = timedelta(seconds=-seconds)
        heard.machine.part(parts)
    write(session, cell, opening("A", occurred_at=ago(45)), now=begin)
    write(session, cell, closing("A", occurred_at=ago(15)), now=begin)
    heard.runner.clock = lambda: datetime.now(UTC)
    heard.hear()
    assert len(heard.told) == 1
    shift = heard.look(lambda session: session.query(Shift).one())
    assert (shift.machine_opening, shift.machine_closing, shift.machine_counted) == (5, 9, 4)


@on_both
def test_a_position_is_taken_with_the_feed(listen, session):
    heard = listen()
    heard.hear()
    session.rollback()  # what was read before would hold the database
    position = take_feed(session, heard.feed_id, heard.runner.holder, now=datetime.now(UTC))
    assert position == Position(str(heard.machine.instance), 4, 0)


ONCE = ["drops", "redirects", "fails", "says html", "truncates", "bombs", "doubles", "from before",
        "is busy", "no header", "clamps", "other document"]  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_after_any_misbehaviour_the_counts_add_up_to_what_the_machine_ran(listen, seed):
    go_through_misbehaviour(listen, seed)


@pytest.mark.database("postgresql")
@pytest.mark.parametrize("seed", [4, 5])
def test_after_any_misbehaviour_they_do_so_on_postgresql_too(listen, seed):
    go_through_misbehaviour(listen, seed)


def go_through_misbehaviour(listen, seed):
    """Whatever happens: no reading stands twice, and what was counted unheard is on record."""
    dice = random.Random(20261126 + seed)
    heard = listen(Machine(size=30))
    heard.hear()
    for _ in range(40):
        turn = dice.random()
        if turn < 0.45:
            heard.machine.part(dice.randrange(1, 45))
        elif turn < 0.55:
            heard.machine.chatter(dice.randrange(40))
        elif turn < 0.62:
            heard.machine.restart(
                same_instance=dice.random() < 0.3, parts_meanwhile=dice.randrange(9)
            )
        elif turn < 0.67:
            heard.machine.reset()
        elif turn < 0.72:
            heard.machine.say(COUNT, "UNAVAILABLE")
            heard.machine.say(COUNT, str(heard.machine.counter))
        if dice.random() < 0.6:
            heard.machine.misbehave = f"{dice.choice(ONCE)} once"
        if dice.random() < 0.7:
            heard.hear_through()
    heard.machine.misbehave = ""
    heard.hear_through()
    reconcile(heard)
    assert heard.verify() == []


def reconcile(heard):
    """Hold the lines against what the machine ran: each rise is one part, or a gap is recorded."""
    assert heard.counts()[-1] == heard.machine.counter
    ran, before, gap = 0, 0, False
    unsure = False
    for line in heard.lines():
        gap = gap or bool(line.reason)
        if line.counter is None:
            continue
        if line.counter_event is CounterEvent.RESET:
            unsure = unsure or gap
            ran += line.counter
        else:
            assert gap or line.counter - before in (0, 1), (before, line.counter)
            ran += line.counter - before
        before, gap = line.counter, False
    ids = [line.client_id for line in heard.lines()]
    assert len(set(ids)) == len(ids)
    assert ran == heard.machine.counted or (unsure and ran < heard.machine.counted)
