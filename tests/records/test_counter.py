"""The machine's own counter: it only goes up, unless somebody says why not."""

import pytest
from support.cells import closing, good, opening, reading, undo

from trialog.records.shiftlog import counted_by_machine
from trialog.records.words import CounterEvent, Reading

ROLLED_OVER, RESET = CounterEvent.ROLLED_OVER, CounterEvent.RESET


@pytest.mark.parametrize(
    ("opening_at", "closing_at", "event", "modulus", "counted"),
    [
        (100, 150, None, 10_000, 50),
        (100, 100, None, None, 0),
        (9_990, 20, ROLLED_OVER, 10_000, 30),
        (9_999, 0, ROLLED_OVER, 10_000, 1),
        (9_990, 20, ROLLED_OVER, None, None),
        (100, 5, RESET, 10_000, None),
        (None, 150, None, 10_000, None),
        (100, None, None, 10_000, None),
    ],
)
def test_what_the_machine_counted(opening_at, closing_at, event, modulus, counted):
    assert counted_by_machine(opening_at, closing_at, event, modulus) == counted


def test_a_counter_that_runs_back_is_refused(running):
    running.refuse_because(
        "closing counter must be at least the opening reading 100, unless the counter rolled "
        "over or was reset, got 99",
        closing("A", 99),
    )


def test_a_counter_that_rolled_over_closes_below_its_opening(logbook):
    logbook.write(opening("A", counter=9_990), good("A", 30))
    logbook.write(closing("A", 20, counter_event=ROLLED_OVER))
    assert logbook.shift("A").counter_event is ROLLED_OVER


@pytest.mark.parametrize("counter", [10_000, 10_001])
def test_a_reading_beyond_where_the_counter_restarts_cannot_have_rolled_over(logbook, counter):
    logbook.write(opening("A", counter=10_050))
    logbook.refuse_because("both below 10000", closing("A", counter, counter_event=ROLLED_OVER))


def test_a_counter_that_went_up_did_not_roll_over(running):
    running.refuse_because(
        "lie below the opening reading 100", closing("A", 101, counter_event=ROLLED_OVER)
    )


def test_a_cell_whose_counter_never_restarts_cannot_roll_over(running, session, cell):
    cell.cell.counter_modulus = None
    session.commit()
    running.refuse_because(
        "say there after how many cycles", closing("A", 5, counter_event=ROLLED_OVER)
    )


def test_a_counter_that_was_reset_may_close_at_anything(running):
    running.write(good("A", 50), closing("A", 3, counter_event=RESET))
    assert running.shift("A").closing_counter == 3


def test_an_event_without_a_reading_is_refused(running):
    running.refuse_because("counter must be given", closing("A", counter_event=RESET))


def test_more_logged_cycles_than_counted_ones_are_refused(running):
    running.write(good("A", 8))
    running.refuse_because(
        "closing counter must cover the 8 logged cycles (opening reading 100, so at least 108)",
        closing("A", 107),
    )


def test_undone_cycles_need_no_cover(running):
    tap = good("A", 8)
    running.write(tap)
    running.write(undo(tap.client_id))
    running.write(closing("A", 100))
    assert running.shift("A").closing_counter == 100


def test_more_logged_than_counted_may_be_accepted_in_so_many_words(running):
    running.write(good("A", 8))
    running.write(closing("A", 107, mismatch_accepted=True, text="counter missed one"))
    assert running.shift("A").closing_counter == 107


def test_more_counted_than_logged_closes_at_once(running):
    running.write(good("A", 8), closing("A", 120))
    assert running.shift("A").closing_counter == 120


def test_a_correction_cannot_leave_the_counter_running_backwards(running):
    running.write(good("A", 8), closing("A", 120))
    running.refuse_because(
        "opening reading must leave the closing reading at or above the opening one (100 and 120",
        reading("A", Reading.OPENING, 121),
    )
    running.refuse_because("closing reading must leave", reading("A", Reading.CLOSING, 99))
    running.write(reading("A", Reading.OPENING, 112))
    assert running.shift("A").opening_counter == 112


def test_a_corrected_opening_is_what_the_closing_is_held_against(running):
    running.write(reading("A", Reading.OPENING, 200))
    running.refuse_because("opening reading 200", closing("A", 150))


def test_a_shift_may_close_without_a_reading(running):
    running.write(closing("A"))
    assert running.shift("A").closed_at is not None
    assert running.shift("A").closing_counter is None
