"""A tablet's lines keep its order, whatever its clock says and whoever else logs."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import select
from support.cells import good
from support.intake import parked_rows

from trialog.records.entries import NewEntry
from trialog.records.intake import Incoming
from trialog.records.models import DeviceRollup, Revision
from trialog.records.words import EntryKind

# ── Order ────────────────────────────────────────────────────────────────────────────────────


def test_a_tablets_lines_stand_in_its_own_order(logbook, tablet, cell, shown):
    lines = [tablet.open(), tablet.good(), tablet.failed(cell.chips), tablet.good(3)]
    assert tablet.statuses(*lines) == ["added"] * 4
    assert shown("tablet_number") == [2, 3, 4]
    assert shown("cycle_number") == [1, 2, 5]
    assert logbook.totals() == (5, 5, 1, 0)
    assert logbook.verify() == []


def test_a_batch_sent_twice_changes_nothing_and_gets_the_same_answer(logbook, tablet, cell):
    lines = [tablet.open(), tablet.good(), tablet.failed(cell.chips)]
    first = tablet.send(*lines)
    second = tablet.send(*lines, after=60)
    assert [taken.status for taken in second] == ["repeated"] * 3
    assert [(one.sequence, one.cycle_number) for one in first] == [
        (one.sequence, one.cycle_number) for one in second
    ]
    assert logbook.totals() == (2, 2, 1, 0)


def test_a_repeat_is_known_though_the_tablets_clock_was_corrected_since(tablet):
    tablet.send(tablet.open())
    tap = tablet.good(after=-30)
    tablet.send(tap)
    again = Incoming(tap.client_id, tap.raw, _moved(tap.entry, 7200))
    assert tablet.statuses(again, after=7200) == ["repeated"]


def _moved(entry, seconds):
    return entry._replace(occurred_at=entry.occurred_at + timedelta(seconds=seconds))


def test_a_cycle_that_waited_while_others_logged_has_no_known_place(tablets, cell, shown):
    here, away = tablets(), tablets()
    here.send(here.open(), here.good())
    seen = 2  # what the other tablet knows of when its network goes
    waiting = [away.failed(cell.chips, seen=seen, waited=True), away.good(seen=seen, waited=True)]
    here.send(*[here.good() for _ in range(5)])
    away.send(*waiting)
    here.send(here.good())
    assert shown("cycle_number") == [1, 2, 3, 4, 5, 6, None, None, 9]


def test_a_cycle_that_waited_while_nobody_else_logged_keeps_its_place(tablets, cell, shown):
    here, away = tablets(), tablets()
    here.send(here.open(), here.good())
    here.send(here.line(EntryKind.NOTE, text="coolant low"))
    away.send(away.failed(cell.chips, seen=2, waited=True), away.good(seen=2, waited=True))
    assert shown("cycle_number") == [1, 2, 3]


def test_a_tablets_own_lines_do_not_overtake_it(tablet, shown):
    tablet.send(tablet.open(), tablet.good())
    tablet.send(tablet.good(seen=1, waited=True), tablet.good(seen=1, waited=True))
    assert shown("cycle_number") == [1, 2, 3]


def test_lines_from_a_program_overtake_a_waiting_tablet(logbook, tablet, shown, now):
    tablet.send(tablet.open())
    logbook.write(good("A", 4))
    tablet.send(tablet.good(seen=1, waited=True))
    assert shown("cycle_number") == [4, None]


# ── Clocks ───────────────────────────────────────────────────────────────────────────────────


def test_a_clock_that_runs_ahead_is_held_at_the_servers_now(tablet, shown, now):
    tablet.send(tablet.open())
    tablet.send(tablet.good(after=7200), after=5)
    assert shown("occurred_at") == [now + timedelta(seconds=5)]
    assert shown("tablet_time") == [now + timedelta(seconds=7200)]


def test_a_clock_that_falls_back_never_runs_before_the_tablets_last_line(tablet, shown, now):
    tablet.send(tablet.open())
    tablet.send(tablet.good(), tablet.good(after=-7200), tablet.good(after=3), after=9)
    assert shown("occurred_at") == [now, now, now + timedelta(seconds=3)]


def test_a_clock_set_back_never_runs_before_what_the_tablet_had_heard_of(tablets, shown, now):
    here, away = tablets(), tablets()
    here.send(here.open(), after=60)
    here.send(here.good(after=100), after=100)
    away.send(away.good(after=-7200, seen=2, waited=True), after=200)
    assert shown("occurred_at")[-1] == now + timedelta(seconds=100)


def test_a_failure_is_not_older_than_the_revision_that_its_tablet_knew_of(
    logbook, tablets, people, cell, *, now
):
    tablet = tablets()
    tablet.send(tablet.open())
    change = NewEntry(
        client_id="change", kind=EntryKind.REVISION, device_id=cell.jet.id, text="a new nozzle",
        resets_evidence=True, occurred_at=now + timedelta(seconds=3000),
    )  # fmt: skip
    logbook.write(change, actor=people.engineer, now=now + timedelta(seconds=3600))
    tablet.send(tablet.failed(cell.chips, after=60, seen=2), after=3700)
    rollups = logbook.session.scalars(select(DeviceRollup).filter_by(device_id=cell.jet.id))
    revision = logbook.session.scalars(select(Revision).filter_by(what="a new nozzle")).one()
    assert [row.revision_id for row in rollups if row.failures] == [revision.id]


def test_a_line_without_a_time_gets_the_servers(tablet, shown, now):
    tablet.send(tablet.open())
    tablet.send(tablet.good(occurred_at=None, tablet_time=None), after=4)
    assert shown("occurred_at") == [now + timedelta(seconds=4)]


# ── Opening and closing ──────────────────────────────────────────────────────────────────────


def test_a_second_tablet_joins_the_shift_that_a_first_one_opened(logbook, tablets):
    one, two = tablets(), tablets()
    one.send(one.open(counter=100), one.good())
    assert two.statuses(two.open(counter=100), two.good()) == ["repeated", "added"]
    assert logbook.totals() == (2, 2, 0, 0)
    assert logbook.verify() == []


def test_an_opening_with_another_reading_is_parked_and_its_cycles_are_taken(
    session, logbook, tablets
):
    one, two = tablets(), tablets()
    one.send(one.open(counter=100))
    assert two.statuses(two.open(counter=140), two.good()) == ["parked", "added"]
    [parked] = parked_rows(session)
    assert "100" in parked.why
    assert "140" in parked.why
    assert logbook.totals()[0] == 1


def test_a_shift_beside_an_open_one_is_parked_with_all_of_its_lines(session, logbook, tablets):
    one, two = tablets(), tablets()
    one.send(one.open("A"), one.good(shift="A"))
    lines = [two.open("B"), two.good(shift="B"), two.line(EntryKind.SHIFT_CLOSED, shift="B")]
    assert two.statuses(*lines) == ["parked"] * 3
    assert "only one shift of a cell can be open" in parked_rows(session)[0].why
    assert logbook.totals()[0] == 1
    assert logbook.verify() == []


def test_cycles_tapped_before_their_tablet_heard_of_the_closing_are_taken(logbook, tablets, shown):
    here, away = tablets(), tablets()
    here.send(here.open(counter=100), here.good(4))
    waiting = [away.good(seen=2, waited=True), away.good(seen=2)]  # the second was on its way
    here.send(here.line(EntryKind.SHIFT_CLOSED, counter=106))
    assert away.statuses(*waiting) == ["added", "added"]
    assert logbook.totals()[0] == 6
    assert logbook.shift("A").closed_at is not None
    assert logbook.verify() == []


def test_cycles_tapped_after_their_tablet_heard_of_the_closing_are_parked(session, tablet):
    tablet.send(tablet.open(), tablet.line(EntryKind.SHIFT_CLOSED))
    assert tablet.statuses(tablet.good(seen=2, waited=True), tablet.good()) == ["parked", "parked"]
    assert all("closed" in parked.why for parked in parked_rows(session))


def test_lines_of_a_shift_that_was_opened_out_of_reach_are_taken_though_others_closed_it(
    logbook, tablets
):
    away, here = tablets(), tablets()
    away.send(away.open(counter=100))  # then the first of its lines, which knew of no shift
    here.send(here.line(EntryKind.SHIFT_CLOSED, seen=1, counter=103))
    assert away.statuses(away.good(), away.good(2, waited=True)) == ["added", "added"]
    assert logbook.totals()[0] == 3
    assert logbook.verify() == []


def test_what_was_taken_back_before_its_tablet_heard_of_the_closing_is_no_failure(
    logbook, tablets, cell
):
    here, away = tablets(), tablets()
    here.send(here.open(), here.good(4))
    sent = away.failed(cell.chips, seen=2)
    away.send(sent)
    here.send(here.line(EntryKind.SHIFT_CLOSED, seen=3))
    slip = away.failed(cell.chips, seen=3, waited=True)
    both = [away.undo(one, seen=3, waited=True) for one in (sent, slip)]
    assert away.statuses(slip, *both) == ["added", "added", "added"]
    assert logbook.totals() == (4, 4, 0, 0)
    assert logbook.verify() == []


def test_what_is_taken_back_after_its_tablet_heard_of_the_closing_is_for_an_engineer(
    session, tablets, cell
):
    here, away = tablets(), tablets()
    here.send(here.open())
    sent = away.failed(cell.chips, seen=1)
    away.send(sent)
    here.send(here.line(EntryKind.SHIFT_CLOSED, seen=2))
    assert away.statuses(away.undo(sent, seen=3)) == ["parked"]
    assert "may not correct closed shifts" in parked_rows(session)[0].why


def test_a_second_closing_is_parked_though_it_waited(session, tablets):
    here, away = tablets(), tablets()
    here.send(here.open(), here.line(EntryKind.SHIFT_CLOSED))
    assert away.statuses(away.line(EntryKind.SHIFT_CLOSED, seen=1, waited=True)) == ["parked"]
