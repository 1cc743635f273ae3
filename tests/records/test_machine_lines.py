"""What a machine said in a shift, summed up: never more lines than somebody reads."""

from __future__ import annotations

import pytest
from sqlalchemy import event
from support.cells import closing, count, good, opening

from trialog.records.machine_lines import FEW, machine_lines
from trialog.records.words import CounterEvent

MANY = 3 * FEW


@pytest.fixture
def summed(session, logbook):
    """Return a function that sums up what the machine said in shifts."""

    def ask(*labels):
        session.rollback()
        return machine_lines(session, [logbook.shift(label).id for label in labels])

    return ask


def counters(lines):
    return [line.counter for line in lines]


def test_where_it_was_silent_there_is_nothing(logbook, summed):
    logbook.write(count(1), opening("A"), good("A"), closing("A"))
    assert summed("A") == []


def test_few_lines_are_all_shown(logbook, summed):
    logbook.write(opening("A"), count(None, text="ACTIVE"), count(10), count(11), closing("A"))
    (said,) = summed("A")
    assert (said.lines, said.gaps, said.first.counter, said.last.counter) == (3, 0, 10, 11)
    assert counters(said.shown) == [None, 10, 11]
    assert said.missing == ()


def test_a_machine_that_only_told_its_state_gave_no_count(logbook, summed):
    logbook.write(opening("A"), count(None, text="READY"))
    (said,) = summed("A")
    assert (said.first, said.last, said.lines) == (None, None, 1)


def test_of_many_the_ends_the_gaps_and_the_falls_are_shown(logbook, summed):
    lines = [count(number) for number in range(100, 100 + MANY)]
    gap = count(300, reason="the agent was started anew")
    fall = count(0, counter_event=CounterEvent.RESET)
    logbook.write(opening("A"), *lines, gap, fall, count(1), count(2))
    (said,) = summed("A")
    assert said.lines == MANY + 4
    assert counters(said.shown) == [100, 300, 0, 2]
    assert [line.client_id for line in said.missing] == [gap.client_id]


def test_of_many_gaps_the_first_are_shown_and_all_are_counted(logbook, summed):
    gaps = [count(number, reason="lost") for number in range(MANY)]
    logbook.write(opening("A"), *gaps)
    (said,) = summed("A")
    assert said.gaps == MANY
    assert counters(said.shown) == [*range(FEW), MANY - 1]


def test_each_shift_has_its_own(logbook, summed):
    logbook.write(opening("A"), count(1), count(2), closing("A"))
    logbook.write(opening("B"), closing("B"))
    logbook.write(opening("C"), *[count(number) for number in range(2, 2 + MANY)], closing("C"))
    first, last = summed("A", "B", "C")
    assert (counters(first.shown), first.lines) == ([1, 2], 2)
    assert (counters(last.shown), last.lines) == ([2, 1 + MANY], MANY)


def test_however_many_lines_it_asks_three_times(logbook, summed, session, engine):
    logbook.write(opening("A"), *[count(number) for number in range(MANY)])
    shift = logbook.shift("A").id
    asked = []
    event.listen(engine, "before_cursor_execute", lambda *args: asked.append(args[2]))
    machine_lines(session, [shift])
    assert len(asked) == 3
