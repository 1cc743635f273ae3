"""What a machine says of itself: lines of nobody's, which count no cycles and alter nothing."""

from __future__ import annotations

from datetime import timedelta

import pytest
from support.cells import (
    closing,
    count,
    failed,
    good,
    new_id,
    note,
    opening,
    photo,
    reading,
    revision,
    ruling,
    undo,
)

from trialog.errors import ConflictError
from trialog.records.queries import shift_entries
from trialog.records.words import CounterEvent, EntryKind, Reading

MINUTE = timedelta(minutes=1)


class Day:
    """A day at the machine: lines are told by the minute at which they happened."""

    def __init__(self, logbook, now):
        self.logbook, self.begin = logbook, now - timedelta(hours=8)

    def at(self, minute):
        return self.begin + minute * MINUTE

    def said(self, minute, counter=None, **fields):
        """Write what the machine said, and return the line's id."""
        line = count(counter, occurred_at=self.at(minute), **fields)
        self.logbook.write(line)
        return line.client_id

    def opens(self, minute, counter=None, label="A", **options):
        self.logbook.write(opening(label, counter=counter, occurred_at=self.at(minute)), **options)

    def closes(self, minute, counter=None, label="A", **fields):
        line = closing(label, counter, occurred_at=self.at(minute), **fields)
        self.logbook.write(line)
        return line.client_id

    def machine(self, label="A"):
        """Return what the machine's count says of a shift: opening, closing, counted."""
        self.logbook.session.rollback()
        shift = self.logbook.shift(label)
        return shift.machine_opening, shift.machine_closing, shift.machine_counted


@pytest.fixture
def day(logbook, now):
    return Day(logbook, now)


def test_it_belongs_to_the_shift_that_was_open_and_to_nobody(day, logbook):
    before = day.said(0, 100)
    day.opens(5, actor=None)
    within = day.said(6, 101, text="ACTIVE")
    day.closes(10)
    after = day.said(11, 102)
    shift = logbook.shift("A").id
    found = [logbook.entry(line).shift_id for line in (before, within, after)]
    assert found == [None, shift, None]
    assert {logbook.entry(line).person_id for line in (before, within, after)} == {None}
    assert logbook.verify() == []


def test_it_counts_no_cycle_by_itself(day, logbook):
    day.opens(0, 100)
    day.said(1, 140)
    assert logbook.totals() == (0, 0, 0, 0)
    logbook.write(good("A", 3))
    day.said(9, 141)
    assert logbook.totals() == (3, 3, 0, 0)
    assert EntryKind.COUNT not in {line.kind for line in shift_entries(
        logbook.session, logbook.shift("A"))}  # fmt: skip


def test_the_same_line_again_changes_nothing(day, logbook):
    line = count(100, occurred_at=day.at(0), text="ACTIVE")
    logbook.write(line)
    written = logbook.write(line)
    assert (written.added, written.repeated) == ((), (line.client_id,))
    with pytest.raises(Exception, match="already stands for a count line"):
        logbook.write(count(101, client_id=line.client_id, occurred_at=day.at(0)))


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"counter": None}, "counter must be given, or the machine's state"),
        ({"counter": -1}, "counter must be between 0"),
        ({"counter": None, "text": "x"}, "state must be a word of capitals such as ACTIVE"),
        ({"counter": None, "text": "A" * 41}, "state must be a word of capitals"),
        ({"counter": None, "text": "ACTIVE", "counter_event": CounterEvent.RESET}, "counter must"),
        ({"cycles": 1}, "cycles must be empty on a count line"),
        ({"target": "x"}, "target must be empty on a count line"),
        ({"mode_ids": (1,)}, "mode_ids must be empty on a count line"),
        ({"shift": "Z"}, "shift must be an opened shift of the cell"),
        ({"person_id": 1}, "person must be empty: nobody sees what a machine says"),
        ({"counter_event": CounterEvent.ROLLED_OVER}, "counter event must be allowed by the cell"),
    ],
)
def test_what_a_machine_cannot_say_is_refused(logbook, fields, message):
    logbook.refuse_because(message, count(**{"counter": 5} | fields))


def test_a_count_that_falls_says_why(day, logbook):
    day.said(0, 9_990)
    logbook.refuse_because("be at least the machine's last reading 9990", count(4))
    day.said(1, 4, counter_event=CounterEvent.ROLLED_OVER)
    day.said(2, 0, counter_event=CounterEvent.RESET)
    logbook.refuse_because("counter event must", count(3, counter_event=CounterEvent.ROLLED_OVER))


def test_readings_stand_in_the_order_of_their_times(day, logbook):
    day.said(5, 10)
    early = count(11, occurred_at=day.at(4))
    logbook.refuse_because("time must not lie before the machine's reading before it", early)
    state = count(None, text="READY", occurred_at=day.at(6))
    logbook.write(state, count(11, occurred_at=day.at(6)))
    logbook.refuse_because("time must not", count(12, occurred_at=day.at(5.5)))


@pytest.mark.parametrize("make", [undo, lambda line: ruling(line, False), photo])
def test_nobody_can_say_anything_about_it(day, logbook, make):
    logbook.write(opening("A"))
    line = day.said(1, 10)
    error = logbook.refuse(make(line))
    assert isinstance(error, ConflictError)
    assert "a line of kind 'count' stays" in str(error)
    both = count(11, client_id=new_id()), make("not-yet")
    assert "stays" in str(logbook.refuse(count(11, client_id="not-yet"), both[1]))


def test_a_shift_takes_both_its_readings_from_the_machine(day, logbook):
    day.said(0, 100)
    day.opens(5)
    day.said(6, 101)
    assert day.machine() == (100, None, None)
    day.said(7, 102)
    day.closes(10)
    day.said(11, 103)
    assert day.machine() == (100, 102, 2)
    assert logbook.shift("A").opening_counter is None
    assert logbook.verify() == []


def test_a_machine_that_nobody_followed_before_the_shift_cannot_tell(day):
    day.opens(0)
    day.said(1, 100)
    day.closes(5)
    assert day.machine() == (None, None, None)


def test_what_was_heard_late_is_told_of_the_shift_all_the_same(day, logbook):
    day.said(0, 100)
    day.opens(5)
    day.closes(10)
    assert day.machine() == (100, 100, 0)
    day.said(4, 107)
    day.said(9, 111)
    day.said(12, 115)
    assert day.machine() == (107, 111, 4)
    assert logbook.verify() == []


def test_a_shift_that_arrives_late_finds_what_the_machine_said_then(day, logbook):
    for minute in range(10):
        day.said(minute, 100 + minute)
    day.opens(2)
    day.closes(6)
    assert day.machine() == (102, 106, 4)
    assert logbook.verify() == []


@pytest.mark.parametrize(
    ("after", "told"), [(100, (100, 100, 0)), (103, (100, None, None))], ids=["still", "moved"]
)
def test_where_readings_are_missing_as_it_closes_nobody_can_tell_if_the_count_moved(
    day, logbook, after, told
):
    day.said(0, 100)
    day.opens(5)
    day.said(6, 100, text="ACTIVE")
    day.closes(10)
    day.said(12, after, reason="the agent was started anew")
    assert day.machine() == told
    assert logbook.verify() == []


def test_missing_readings_within_a_shift_are_bridged_by_the_running_count(day):
    day.said(0, 100)
    day.opens(5)
    day.said(6, 101)
    day.said(7, reason="the part count is not available")
    day.said(9, 107)
    day.closes(10)
    assert day.machine() == (100, 107, 7)


def test_a_reset_that_was_seen_at_zero_is_gone_over(day, logbook):
    day.said(0, 100)
    day.opens(5)
    day.said(6, 104)
    day.said(7, 0, counter_event=CounterEvent.RESET)
    day.said(8, 3)
    day.closes(10)
    assert day.machine() == (100, 3, 7)
    assert logbook.verify() == []


@pytest.mark.parametrize("seen", [{"counter": 2}, {"counter": 0, "reason": "away"}])
def test_a_reset_that_was_not_seen_at_zero_loses_the_count(day, seen):
    day.said(0, 100)
    day.opens(5)
    day.said(5.5, 101)
    day.said(6, counter_event=CounterEvent.RESET, **seen)
    day.said(8, 3)
    day.closes(10)
    assert day.machine() == (100, 3, None)


def test_a_counter_that_rolls_over_is_gone_over(day):
    day.said(0, 9_998)
    day.opens(5)
    day.said(6, 1, counter_event=CounterEvent.ROLLED_OVER)
    day.closes(10)
    assert day.machine() == (9_998, 1, 3)


def test_an_engineers_reading_settles_what_was_counted(day, logbook):
    day.said(0, 100)
    day.opens(5, 100)
    day.said(6, 130)
    day.closes(10, 125)
    assert day.machine() == (100, 130, 30)
    logbook.write(reading("A", Reading.CLOSING, 126))
    assert day.machine() == (100, 130, None)
    assert logbook.verify() == []


@pytest.fixture
def counting(day, logbook):
    """Return the day at a cell whose machine counts the good cycles."""
    logbook.cell.cell.good_by_machine = True
    logbook.session.commit()
    day.said(0, 100)
    return day


def goods(logbook):
    return [
        (line.cycles, line.counter, line.person_id)
        for line in logbook.entries()
        if line.kind is EntryKind.GOOD
    ]


def test_what_nobody_logged_was_good_as_the_shift_closes(counting, logbook, cell):
    counting.opens(5)
    counting.said(6, 107)
    logbook.write(failed("A", cell.dropped), failed("A", cell.chips))
    counting.closes(10)
    assert goods(logbook) == [(5, 107, None)]
    assert logbook.totals() == (7, 7, 2, 0)
    assert counting.machine() == (100, 107, 7)
    assert logbook.verify() == []


def test_a_cell_that_is_not_set_up_so_counts_none(day, logbook):
    day.said(0, 100)
    day.opens(5)
    day.said(6, 107)
    day.closes(10)
    assert goods(logbook) == []


def test_no_more_are_counted_good_than_the_typed_readings_allow(counting, logbook):
    counting.opens(5, 500)
    counting.said(6, 107)
    counting.closes(10, 504)
    assert goods(logbook) == [(4, 107, None)]


@pytest.mark.parametrize("logged", [7, 9])
def test_where_all_were_logged_none_are_added(counting, logbook, logged):
    counting.opens(5)
    counting.said(6, 107)
    logbook.write(good("A", logged))
    counting.closes(10)
    assert goods(logbook) == [(logged, None, None)]


def test_a_closing_that_is_refused_brings_no_cycles(counting, logbook):
    counting.opens(5, 500)
    counting.said(6, 107)
    logbook.refuse_because("be at least the opening reading 500", closing("A", 400))
    written = logbook.write(closing("A", 400), note("A"), good_only=True)
    assert (len(written.added), len(written.rejected)) == (1, 1)
    assert goods(logbook) == []


def test_a_closing_undone_takes_its_cycles_back_and_a_new_one_counts_anew(counting, logbook, cell):
    counting.opens(5)
    counting.said(6, 107)
    closed = counting.closes(10)
    logbook.write(undo(closed))
    assert logbook.totals() == (0, 0, 0, 0)
    logbook.write(failed("A", cell.dropped))
    counting.closes(12)
    assert logbook.totals() == (7, 7, 1, 0)
    assert logbook.verify() == []


def test_cycles_from_before_a_change_speak_for_nothing_after_it(counting, logbook, cell):
    counting.opens(5)
    counting.said(6, 107)
    logbook.write(failed("A", cell.dropped, occurred_at=counting.at(6)))
    logbook.write(revision(cell.arm, occurred_at=counting.at(7)))
    counting.said(8, 110)
    counting.closes(10)
    assert goods(logbook) == [(6, 107, None), (3, 110, None)]
    early, late = (line for line in logbook.entries() if line.kind is EntryKind.GOOD)
    assert early.occurred_at < counting.at(7) < late.occurred_at
    assert logbook.verify() == []


def test_more_logged_than_counted_after_a_change_leaves_fewer_before_it(counting, logbook, cell):
    counting.opens(5)
    counting.said(6, 107)
    logbook.write(revision(cell.arm, occurred_at=counting.at(7)))
    counting.said(8, 109)
    logbook.write(good("A", 4, occurred_at=counting.at(8)))
    counting.closes(10)
    assert goods(logbook) == [(4, None, None), (5, 107, None)]


def test_nothing_is_counted_good_where_the_machine_cannot_tell_at_a_change(counting, logbook, cell):
    counting.opens(5)
    logbook.write(revision(cell.arm, occurred_at=counting.at(7)))
    counting.said(8, 109, reason="the agent was away")
    counting.closes(10)
    assert goods(logbook) == []


def test_a_reset_that_lost_the_count_counts_nothing_good(counting, logbook):
    counting.opens(5)
    counting.said(6, 7, counter_event=CounterEvent.RESET)
    counting.closes(10)
    assert goods(logbook) == []


def test_a_shift_in_one_batch_has_what_was_said_before_it(counting, logbook):
    counting.said(6, 107)
    logbook.write(
        opening("A", occurred_at=counting.at(5)), closing("A", occurred_at=counting.at(10))
    )
    assert goods(logbook) == [(7, 107, None)]
