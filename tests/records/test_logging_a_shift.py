"""What is written at the machine, kind by kind, and what it adds up to."""

from datetime import timedelta

import pytest
from sqlalchemy import select
from support.cells import (
    closing,
    condition,
    failed,
    good,
    log_shift,
    make_cell,
    note,
    opening,
    reading,
    ruling,
    stop,
    undo,
)

from trialog.errors import ConflictError
from trialog.records.logbook import write_entry
from trialog.records.models import ModeRollup, OperatorRollup
from trialog.records.queries import last_shift, open_shift, shift_entries, shifts_of, undone_ids
from trialog.records.words import Condition, EntryKind, Reading, Stage


def test_a_shift_opens_with_its_stage_and_counter_reading(logbook, now):
    logbook.write(opening("A", stage=Stage.ROBOT_ATTENDED, counter=4_000))
    shift = logbook.shift("A")
    assert (shift.stage, shift.opened_at, shift.opening_counter, shift.closed_at) == (
        Stage.ROBOT_ATTENDED, now, 4_000, None,
    )  # fmt: skip


def test_a_shift_may_open_without_a_counter_reading(logbook):
    logbook.write(opening("A"))
    assert logbook.shift("A").opening_counter is None


def test_an_open_shift_is_found_and_a_closed_one_is_not(running, session, cell):
    assert open_shift(session, cell.cell).label == "A"
    running.write(closing("A", 100))
    assert open_shift(session, cell.cell) is None


def test_a_good_tap_is_one_counted_cycle(running, cell):
    running.write(good("A"))
    assert running.totals() == (1, 1, 0, 0)
    assert running.device_totals(cell.arm) == (1, 0, 0)


def test_cycles_can_be_counted_in_bulk(running):
    running.write(good("A", 12))
    assert running.totals() == (12, 12, 0, 0)


def test_a_failed_cycle_fails_its_device_and_counts_for_the_others(running, cell):
    running.write(failed("A", cell.dropped))
    assert running.totals() == (1, 1, 1, 0)
    assert running.device_totals(cell.arm) == (1, 1, 0)
    assert running.device_totals(cell.jet) == (1, 0, 0)


def test_two_modes_of_one_device_on_one_cycle_are_one_failure(running, cell, session):
    running.write(failed("A", cell.dropped, cell.slow))
    assert running.device_totals(cell.arm) == (1, 1, 0)
    counts = select(ModeRollup.failure_mode_id, ModeRollup.relevant)
    assert dict(list(session.execute(counts))) == {cell.dropped.id: 1, cell.slow.id: 1}


def test_modes_of_two_devices_on_one_cycle_fail_both_and_the_cell_once(running, cell):
    running.write(failed("A", cell.dropped, cell.chips))
    assert running.totals() == (1, 1, 1, 0)
    assert running.device_totals(cell.arm) == running.device_totals(cell.jet) == (1, 1, 0)
    assert running.device_totals(cell.tray) == (1, 0, 0)


def test_cycles_are_numbered_through_the_shift(running, cell):
    entries = [good("A"), good("A", 10), failed("A", cell.chips), good("A")]
    running.write(*entries)
    numbers = [running.entry(entry.client_id).cycle_number for entry in entries]
    assert numbers == [1, 11, 12, 13]


def test_numbering_starts_anew_with_each_shift(logbook, cell, now):
    log_shift(logbook.session, cell, "A", good=5, now=now)
    tap = good("B")
    logbook.write(opening("B"), tap)
    assert logbook.entry(tap.client_id).cycle_number == 1


def test_a_given_cycle_number_may_leave_a_gap(running):
    tap = good("A", cycle_number=7)
    running.write(tap, good("A"))
    assert [entry.cycle_number for entry in running.entries()[1:]] == [7, 8]


def test_cycles_of_a_tally_have_no_number(running, cell):
    running.write(good("A", 400, order_known=False), failed("A", cell.dropped, order_known=False))
    assert [entry.cycle_number for entry in running.entries()[1:]] == [None, None]
    assert running.totals() == (401, 401, 1, 0)


def test_undo_takes_a_cycle_back_and_keeps_both_lines(running, cell, session):
    tap = failed("A", cell.dropped)
    running.write(tap)
    running.write(undo(tap.client_id))
    assert running.totals() == (0, 0, 0, 0)
    assert [entry.kind for entry in running.entries()] == ["open", "failed", "undo"]
    assert undone_ids(session, cell.id) == {tap.client_id}


def test_an_undone_cycles_number_is_given_again(running):
    tap, next_tap = good("A", 3), good("A")
    running.write(tap)
    running.write(undo(tap.client_id), next_tap)
    assert running.entry(next_tap.client_id).cycle_number == 1


def test_undo_in_the_middle_leaves_later_numbers_alone(running):
    first, second, third = good("A"), good("A"), good("A")
    running.write(first, second)
    running.write(undo(first.client_id), third)
    assert running.entry(third.client_id).cycle_number == 3
    assert running.totals() == (2, 2, 0, 0)


@pytest.mark.parametrize("times", [2, 3])
def test_a_line_is_undone_once(running, times):
    tap = good("A")
    running.write(tap)
    running.write(undo(tap.client_id))
    for _ in range(times - 1):
        running.refuse_because("already undone", undo(tap.client_id))
    assert running.totals() == (0, 0, 0, 0)


def test_an_undo_cannot_be_undone(running):
    tap = good("A")
    taken_back = undo(tap.client_id)
    running.write(tap, undo(tap.client_id, client_id=taken_back.client_id, shift="A"))
    running.refuse_because("cannot be undone", undo(taken_back.client_id))


def test_the_opening_of_a_shift_cannot_be_undone(logbook):
    first = opening("A")
    logbook.write(first)
    logbook.refuse_because("a line of kind 'open' cannot be undone", undo(first.client_id))


def test_notes_stops_and_conditions_are_kept_as_written(running, cell, session):
    running.write(
        note("A", "coolant low, topped up"),
        stop("A", 240, text="bar end jammed"),
        condition("A", Condition.MATERIAL_LOT, text="lot 7"),
    )
    lines = shift_entries(session, running.shift("A"))[1:]
    assert [(line.kind, line.text, line.clear_seconds, line.condition) for line in lines] == [
        ("note", "coolant low, topped up", None, None),
        ("stop", "bar end jammed", 240, None),
        ("condition", "lot 7", None, Condition.MATERIAL_LOT),
    ]


def test_notes_and_stops_count_no_cycle(running):
    running.write(note("A"), stop("A"), condition("A", Condition.COLD_START))
    assert running.totals() == (0, 0, 0, 0)


def test_a_closed_shift_knows_its_counter_readings(running, now):
    running.write(good("A", 8), closing("A", 108))
    shift = running.shift("A")
    assert (shift.opening_counter, shift.closing_counter, shift.closed_at) == (100, 108, now)


@pytest.mark.parametrize(
    "late",
    [good("A"), note("A"), stop("A"), condition("A", Condition.TOOL_CHANGE)],
    ids=["good", "note", "stop", "condition"],
)
def test_a_closed_shift_takes_no_more_lines(running, late):
    running.write(closing("A", 100))
    running.refuse_because("shift 'A' is closed", late)


def test_a_closed_shift_takes_no_more_failed_cycles(running, cell):
    running.write(closing("A", 100))
    running.refuse_because("shift 'A' is closed", failed("A", cell.dropped))


def test_a_shift_is_closed_once(running):
    running.write(closing("A", 100))
    running.refuse_because("shift 'A' is closed", closing("A", 100))


def test_undoing_the_closing_opens_the_shift_again(running):
    close = closing("A", 100)
    running.write(close)
    running.write(undo(close.client_id))
    assert running.shift("A").closed_at is None
    running.write(good("A"), closing("A", 101))
    assert running.shift("A").closing_counter == 101


def test_a_closed_shifts_cycle_cannot_be_undone_behind_its_closing(running):
    tap = good("A")
    running.write(tap, closing("A", 101))
    running.refuse_because("undo its closing before", undo(tap.client_id))


def test_a_closed_shift_is_not_opened_anew_while_another_one_runs(running):
    close = closing("A", 100)
    running.write(close)
    running.write(opening("B"))
    with pytest.raises(ConflictError, match="only one shift of a cell can be open"):
        running.write(undo(close.client_id))
    assert running.shift("A").closed_at is not None


def test_a_corrected_reading_replaces_the_one_it_is_about(running):
    running.write(good("A", 8), closing("A", 108))
    running.write(reading("A", Reading.OPENING, 99))
    running.write(reading("A", Reading.CLOSING, 107))
    shift = running.shift("A")
    assert (shift.opening_counter, shift.closing_counter) == (99, 107)


def test_undoing_a_correction_brings_the_first_reading_back(running):
    correction = reading("A", Reading.OPENING, 99)
    running.write(correction)
    running.write(undo(correction.client_id))
    assert running.shift("A").opening_counter == 100


def test_an_open_shift_has_no_closing_reading_to_correct(running):
    running.refuse_because("not closed", reading("A", Reading.CLOSING, 120))


def test_a_label_may_be_used_again_on_another_cell(running, session, now):
    other = make_cell(session, now, "Mill 2")
    session.commit()
    log_shift(session, other, "A", good=3, now=now)
    assert [shift.label for shift in shifts_of(session, other.cell)] == ["A"]


def test_a_label_is_used_once_on_a_cell(running):
    running.write(closing("A", 100))
    running.refuse_because("'A' was opened before", opening("A"))


def test_two_shifts_of_a_cell_cannot_be_open_at_once(running):
    with pytest.raises(ConflictError, match="would be: A and B"):
        running.write(opening("B"))
    assert [shift.label for shift in shifts_of(running.session, running.cell.cell)] == ["A"]


def test_one_batch_may_close_a_shift_and_open_the_next(running, session, cell):
    running.write(closing("A", 100), opening("B", counter=100), good("B"))
    assert open_shift(session, cell.cell).label == "B"


def test_the_last_shift_is_the_one_opened_last(logbook, session, cell, now):
    log_shift(session, cell, "late", now=now)
    log_shift(session, cell, "early", now=now - timedelta(days=1))
    assert last_shift(session, cell.cell).label == "late"
    assert [shift.label for shift in shifts_of(session, cell.cell)] == ["early", "late"]


def test_cycles_are_credited_to_who_saw_them(running, people, cell, session):
    running.write(
        good("A", 5, person_id=people.operator.id),
        failed("A", cell.chips, person_id=people.operator.id),
        good("A", 2, person_id=people.engineer.id),
        good("A", 9),
    )
    seen = select(OperatorRollup.person_id, OperatorRollup.logged, OperatorRollup.failed)
    assert set(session.execute(seen)) == {
        (people.operator.id, 6, 1),
        (people.engineer.id, 2, 0),
    }


def test_a_line_says_who_saw_it_and_who_entered_it(running, people):
    tap = good("A", person_id=people.operator.id)
    running.write(tap, actor=people.engineer)
    line = running.entry(tap.client_id)
    assert (line.person_id, line.recorded_by_id) == (people.operator.id, people.engineer.id)


def test_a_line_without_a_time_happened_when_it_arrived(running, now):
    tap = good("A")
    running.write(tap)
    assert running.entry(tap.client_id).occurred_at == now


def test_writing_one_line_returns_it(running, session, cell, now):
    tap = good("A")
    line = write_entry(session, cell.cell, tap, actor=None, now=now)
    assert (line.client_id, line.kind) == (tap.client_id, EntryKind.GOOD)


def test_writing_one_line_raises_the_rule_it_breaks(running, session, cell, now):
    with pytest.raises(ConflictError, match="opened before"):
        write_entry(session, cell.cell, opening("A"), actor=None, now=now)


def test_each_write_leaves_one_audit_event_that_counts_its_lines(running, people, cell):
    running.write(good("A"), failed("A", cell.dropped), actor=people.operator)
    event = running.audit()[-1]
    assert (event.action, event.subject, event.subject_id, event.person_id) == (
        "wrote", "logbook", cell.id, people.operator.id,
    )  # fmt: skip
    assert event.details == {
        "lines": 2, "first": 2, "kinds": ["failed", "good"], "head": running.head().chain_head,
    }  # fmt: skip


def test_a_repeat_leaves_no_audit_event(running):
    tap = good("A")
    running.write(tap)
    before = len(running.audit())
    running.write(tap)
    assert len(running.audit()) == before


def test_an_empty_batch_writes_nothing(running):
    before = len(running.audit())
    written = running.write()
    assert (written.added, written.repeated, written.rejected) == ((), (), ())
    assert len(running.audit()) == before


def test_good_lines_alone_are_written_when_asked_for(running, cell):
    tap, unknown, late = good("A"), good("Z"), good("A", 3)
    written = running.write(tap, unknown, late, good_only=True)
    assert written.added == (tap.client_id, late.client_id)
    assert [rejected.index for rejected in written.rejected] == [1]
    assert running.totals() == (4, 4, 0, 0)


def test_a_batch_with_one_bad_line_writes_none(running):
    running.refuse(good("A"), good("Z"), good("A"))
    assert running.totals() == (0, 0, 0, 0)


def test_a_ruling_may_follow_in_the_same_batch(running, cell):
    drop = failed("A", cell.dropped)
    running.write(drop, ruling(drop.client_id, relevant=False, shift="A"))
    assert running.totals() == (1, 0, 0, 1)
