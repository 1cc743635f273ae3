"""Two people with two tablets in one shift, one of them without a network for an hour."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from playwright.sync_api import expect
from sqlalchemy import select

import trialog.web.clock
from trialog.records.models import Entry, Shift
from trialog.records.verify import verify
from trialog.records.words import EntryKind

HOUR = 3600
CYCLES = (EntryKind.GOOD, EntryKind.FAILED)

LOOK_FOR = """(cycles) => {
  if (document.getElementById("logged").textContent === String(cycles)) return true;
  window.dispatchEvent(new Event("online"));
  return false;
}"""


class ServersTime:
    """The server's clock as a test moves it on; it stands in for `datetime` where that is read."""

    def __init__(self):
        self.ahead = timedelta(0)

    def now(self, zone):
        return datetime.now(zone) + self.ahead


@pytest.fixture
def hours(monkeypatch):
    """Return what lets time pass for the server and for tablets, without waiting for it."""
    clock = ServersTime()
    monkeypatch.setattr(trialog.web.clock, "datetime", clock)

    def pass_by(seconds, *tablets):
        clock.ahead += timedelta(seconds=seconds)
        for tablet in tablets:
            tablet.page.clock.fast_forward(seconds * 1000)

    return pass_by


@pytest.fixture
def two_tablets(tablet_on, people):
    """Return the operator's tablet, on which the shift was opened, and the engineer's."""
    first = tablet_on(before=lambda page: page.clock.install())
    first.open_shift(counter=500)
    first.await_saved()
    second = tablet_on(person=people.engineer, before=lambda page: page.clock.install())
    second.await_board()
    return first, second


def logbook(session):
    session.rollback()
    return session.scalars(select(Entry).order_by(Entry.sequence)).all()


def await_same(*tablets, logged):
    """Let every tablet look at the server, as it does now and then, until it shows the cycles."""
    for tablet in tablets:
        tablet.page.wait_for_function(LOOK_FOR, arg=logged, polling=200)
        expect(tablet.page.locator("#saved-words")).to_have_text("All saved")


def test_two_tablets_log_in_turns_and_show_the_same(two_tablets, session):
    first, second = two_tablets
    first.tap_good()
    first.await_saved()
    second.fail("chips left")
    second.await_saved()
    await_same(first, second, logged=2)
    first.tap_good()
    await_same(first, second, logged=3)
    cycles = [entry for entry in logbook(session) if entry.kind in CYCLES]
    assert [entry.cycle_number for entry in cycles] == [1, 2, 3]
    assert verify(session) == []


def test_an_hour_without_a_network_on_one_of_two_tablets(two_tablets, session, people, hours):
    first, second = two_tablets
    first.tap_good()
    await_same(first, second, logged=1)

    second.page.context.set_offline(True)
    second.tap_good()
    second.fail("dropped part")
    second.await_logged(3)
    for _ in range(3):
        first.tap_good()
        first.await_saved()
        hours(HOUR / 3, first, second)
    first.fail("slow return")
    first.await_saved()
    second.tap_good()
    second.await_logged(4)
    assert first.logged() == 5
    assert logged_in(session) == 5

    second.page.context.set_offline(False)
    second.await_saved()
    await_same(first, second, logged=8)
    assert (first.failed(), second.failed()) == (2, 2)
    assert (first.expected_counter(), second.expected_counter()) == (508, 508)
    assert first.page.locator("#last").text_content() == second.page.locator("#last").text_content()

    entries = logbook(session)
    cycles = [entry for entry in entries if entry.kind in CYCLES]
    by = {person.id: name for name, person in vars(people).items()}
    assert [(by[e.person_id], str(e.kind), e.cycle_number) for e in cycles] == [
        ("operator", "good", 1),
        ("operator", "good", 2),
        ("operator", "good", 3),
        ("operator", "good", 4),
        ("operator", "failed", 5),
        ("engineer", "good", None),
        ("engineer", "failed", None),
        ("engineer", "good", None),
    ]
    assert_each_tablet_in_order(entries)
    long_ago = cycles[-3].recorded_at - cycles[-3].occurred_at
    assert timedelta(minutes=59) < long_ago < timedelta(minutes=62)
    assert verify(session) == []
    session.rollback()
    assert session.scalars(select(Shift)).one().closed_at is None


def logged_in(session):
    return sum(entry.cycles for entry in logbook(session) if entry.kind in CYCLES)


def assert_each_tablet_in_order(entries):
    """Of each tablet the numbers rise, and no time runs back or lies after it was written."""
    assert len({entry.tablet_id for entry in entries}) == 2
    for tablet in {entry.tablet_id for entry in entries}:
        own = [entry for entry in entries if entry.tablet_id == tablet]
        assert [entry.tablet_number for entry in own] == sorted(
            entry.tablet_number for entry in own
        )
        moments = [entry.occurred_at for entry in own]
        assert moments == sorted(moments)
    assert all(entry.occurred_at <= entry.recorded_at for entry in entries)


def test_cycles_that_waited_while_nobody_else_logged_keep_their_place(two_tablets, session, hours):
    first, second = two_tablets
    second.page.context.set_offline(True)
    second.tap_good()
    second.tap_good()
    second.await_logged(2)
    hours(HOUR, first, second)
    second.page.context.set_offline(False)
    second.await_saved()
    await_same(first, second, logged=2)
    numbers = [entry.cycle_number for entry in logbook(session) if entry.kind in CYCLES]
    assert numbers == [1, 2]


def test_a_cycle_tapped_before_its_tablet_heard_of_the_closing_belongs_to_the_shift(
    two_tablets, session
):
    first, second = two_tablets
    second.page.context.set_offline(True)
    second.tap_good()
    second.await_logged(1)
    first.tap_good()
    first.await_saved()
    first.close_shift(counter=502)
    first.await_saved()
    second.page.context.set_offline(False)
    expect(second.page.locator("#sheet-halt")).to_contain_text("was closed")
    second.await_saved()
    second.await_logged(2)
    entries = logbook(session)
    assert [str(entry.kind) for entry in entries] == ["open", "good", "close", "good"]
    assert [entry.cycle_number for entry in entries if entry.kind in CYCLES] == [1, None]
    assert verify(session) == []
