"""What must not get into the logbook: each is refused in words, and nothing is half-written."""

from datetime import datetime, timedelta, timezone

import pytest
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
    revision,
    ruling,
    stop,
    undo,
)

from trialog.errors import InvalidValueError, UnknownNameError
from trialog.records.entries import CLOCK_TOLERANCE, MOST_CYCLES_AT_ONCE, NewEntry
from trialog.records.words import Condition, CounterEvent, EntryKind, Reading, Stage

QUOTES = 'O\'Neill "the" `sleeve` \\ %s ; DROP TABLE entry; --'
LONGEST = "x" * 2000


def test_cycle_numbers_out_of_order_are_refused(running):
    running.write(good("A", cycle_number=5))
    running.refuse_because(
        "cycle number must be above 5: cycle 5 of shift 'A' is already logged, got 4",
        good("A", cycle_number=4),
    )


def test_a_cycle_number_twice_is_refused(running, cell):
    running.write(good("A", cycle_number=5))
    running.refuse_because("cycle 5", failed("A", cell.dropped, cycle_number=5))


def test_a_bulk_that_overlaps_logged_cycles_is_refused(running):
    running.write(good("A", 5))
    running.refuse_because("be above 9", good("A", 5, cycle_number=9))


def test_numbers_out_of_order_within_one_batch_are_refused(running):
    running.refuse_because("cycle 2", good("A", cycle_number=2), good("A", cycle_number=1))


@pytest.mark.parametrize("number", [0, -3, 10**9 + 1, 2**63])
def test_a_cycle_number_out_of_range_is_refused(running, number):
    running.refuse_because("cycle number must be between 1 and", good("A", cycle_number=number))


@pytest.mark.parametrize("cycles", [0, -1, MOST_CYCLES_AT_ONCE + 1, 2**63])
def test_a_bulk_out_of_range_is_refused(running, cycles):
    running.refuse_because("cycles must be between 1 and 100000", good("A", cycles))


def test_a_good_line_says_how_many_cycles(running):
    running.refuse_because("cycles must be given", good("A", None))


@pytest.mark.parametrize("cycles", [None, 0, 2])
def test_a_failed_line_is_one_cycle(running, cell, cycles):
    line = failed("A", cell.dropped)._replace(cycles=cycles)
    running.refuse_because("cycles must be 1 for a failed cycle", line)


def test_a_failed_cycle_names_a_mode(running):
    running.refuse_because("failure modes must be given", failed("A"))


def test_a_failed_cycle_names_each_mode_once(running, cell):
    running.refuse_because("each be named once", failed("A", cell.dropped, cell.dropped))


@pytest.mark.parametrize("mode_id", [0, -1, 999_999, 2**70])
def test_an_unknown_mode_is_refused(running, mode_id):
    error = running.refuse(failed("A")._replace(mode_ids=(mode_id,)))
    assert isinstance(error, UnknownNameError)
    assert "failure mode must belong to the cell" in str(error)


def test_another_cells_mode_is_refused(running, session, now):
    other = make_cell(session, now, "Mill 2")
    session.commit()
    running.refuse_because("failure mode must belong to the cell", failed("A", other.dropped))


def test_another_cells_device_is_refused(running, session, now):
    other = make_cell(session, now, "Mill 2")
    session.commit()
    running.refuse_because("device must belong to the cell", revision(other.arm))


@pytest.mark.parametrize("person_id", [0, 999_999, 2**70])
def test_an_unknown_person_is_refused(running, people, person_id):
    running.refuse_because("person must be a known person", good("A", person_id=person_id))


def test_an_unknown_person_is_refused_also_where_nobody_is_known(running):
    running.refuse_because("person must be a known person", good("A", person_id=1))


@pytest.mark.parametrize("label", ["B", "a", "A\x00", "", " ", "\ud83d"])
def test_a_shift_that_was_not_opened_is_refused(running, label):
    assert running.refuse(good(label)).field == "shift"


def test_a_line_must_say_its_shift(running):
    running.refuse_because("shift must be given", good(None))


@pytest.mark.parametrize("label", ["", "   ", None, "x" * 121, "two\nlines", "nul\x00", "\ud83d"])
def test_a_label_that_is_no_name_is_refused(logbook, label):
    assert logbook.refuse(opening(label)).field == "shift"


def test_an_opening_says_its_stage(logbook):
    logbook.refuse_because("stage must be given", opening("A", stage=None))


def test_a_time_in_the_future_is_refused(running, now):
    late = now + CLOCK_TOLERANCE + timedelta(seconds=1)
    running.refuse_because("time must not lie in the future", good("A", occurred_at=late))


def test_a_clock_a_little_ahead_is_accepted(running, now):
    running.write(good("A", occurred_at=now + CLOCK_TOLERANCE))
    assert running.totals() == (1, 1, 0, 0)


@pytest.mark.parametrize("hours", [-14, 0, 14])
def test_a_time_in_a_calendars_first_days_is_refused(running, hours):
    """Elsewhere in the world it has no date, so it could not be shown there."""
    first = datetime(1, 1, 1, tzinfo=timezone(timedelta(hours=hours)))
    running.refuse_because("time must lie after 1900-01-01", good("A", occurred_at=first))


def test_a_time_without_a_zone_is_refused(running):
    naive = datetime(2026, 3, 2, 13, 0)  # noqa: DTZ001 - that is the point
    running.refuse_because("time must carry a time zone", good("A", occurred_at=naive))


def test_a_time_of_another_zone_is_kept_as_the_same_moment(running, now):
    tap = good("A", occurred_at=now.astimezone(timezone(timedelta(hours=-7))))
    running.write(tap)
    assert running.entry(tap.client_id).occurred_at == now


@pytest.mark.parametrize(
    "client_id", ["", "x" * 65, "with blank", "quote'", "nul\x00", "ümlaut", "line\n"]
)
def test_a_client_id_of_other_signs_is_refused(running, client_id):
    running.refuse_because("client_id must be", good("A", client_id=client_id))


@pytest.mark.parametrize("field", ["text", "reason"])
@pytest.mark.parametrize(
    ("value", "rule"),
    [
        ("x" * 2001, "be at most 2000 characters (2001 given)"),
        ("a\x00b", "not hold a NUL character"),
        ("half a \ud83d", "hold whole characters only"),
    ],
    ids=["too long", "NUL", "half a surrogate pair"],
)
def test_a_text_that_does_not_fit_is_refused(running, field, value, rule):
    running.refuse_because(f"{field} must {rule}", note("A", **{"text": "x"} | {field: value}))


@pytest.mark.parametrize(
    "text", [QUOTES, "🙂🤖 naïve Größe", LONGEST, "=cmd|' /C calc'!A0", "a\tb\nc"]
)
def test_any_other_text_comes_back_as_it_was_written(running, text):
    line = note("A", text)
    running.write(line)
    assert running.entry(line.client_id).text == text
    assert running.verify() == []


@pytest.mark.parametrize("label", [QUOTES, "🙂 night", "x" * 120, "=1+1"])
def test_any_printable_name_makes_a_label(logbook, label):
    logbook.write(opening(label), good(label))
    assert logbook.shift(label).label == label
    assert logbook.totals() == (1, 1, 0, 0)


def test_a_note_says_something(running):
    running.refuse_because("note must be given", note("A", "  "))


@pytest.mark.parametrize("seconds", [-1, 7 * 24 * 3600 + 1, 2**63])
def test_a_clear_time_out_of_range_is_refused(running, seconds):
    running.refuse_because("clear_seconds must be between", stop("A", seconds))


def test_a_condition_says_which(running):
    running.refuse_because("condition must be given", condition("A", None))


def test_a_reading_says_which_and_how_much(running):
    running.refuse_because("reading must be given", reading("A", None, 5))
    running.refuse_because("counter must be given", reading("A", Reading.OPENING, None))


@pytest.mark.parametrize("counter", [-1, 10**12 + 1, 2**70])
def test_a_counter_reading_out_of_range_is_refused(logbook, counter):
    logbook.refuse_because("counter must be between", opening("A", counter=counter))


@pytest.mark.parametrize("target", ["nowhere", "nul\x00", "", "x" * 65, "\ud83d"])
@pytest.mark.parametrize("make", [undo, lambda target: ruling(target, relevant=True)])
def test_a_target_that_is_no_line_is_refused(running, make, target):
    assert running.refuse(make(target)).field == "target"


def test_a_target_of_another_shift_is_refused(running, cell, now):
    tap = good("A")
    running.write(tap, closing("A", 101), opening("B"))
    running.refuse_because("target must be a line of shift 'B'", undo(tap.client_id, shift="B"))


def test_a_target_of_another_cell_is_refused(running, session, now):
    other = make_cell(session, now, "Mill 2")
    session.commit()
    taps = log_shift(session, other, "A", good=1, now=now)
    running.refuse_because("be a line of the cell's logbook", undo(taps[1].client_id))


def test_a_ruling_is_about_a_failed_cycle(running):
    tap = good("A")
    running.write(tap)
    running.refuse_because("target must be a failed cycle", ruling(tap.client_id, relevant=True))


def test_a_ruling_is_about_a_mode_of_that_cycle(running, cell):
    drop = failed("A", cell.dropped)
    running.write(drop)
    line = ruling(drop.client_id, relevant=True, mode=cell.chips)
    running.refuse_because("failure mode must be one of the failed cycle's", line)


def test_a_ruling_on_an_undone_cycle_is_refused(running, cell):
    drop = failed("A", cell.dropped)
    running.write(drop)
    running.write(undo(drop.client_id))
    running.refuse_because("already undone", ruling(drop.client_id, relevant=True))


def test_a_ruling_says_whether_and_if_not_why(running, cell):
    drop = failed("A", cell.dropped)
    running.write(drop)
    running.refuse_because("relevant must be given", ruling(drop.client_id, relevant=None))
    running.refuse_because(
        "reason must be given", ruling(drop.client_id, relevant=False, reason=" ")
    )


def test_a_revision_says_what_changed_and_whether_evidence_begins_anew(running, cell):
    running.refuse_because("what changed must be given", revision(cell.arm, " "))
    running.refuse_because("resets_evidence must be given", revision(cell.arm, resets=None))
    running.refuse_because("reason for not resetting", revision(cell.arm, resets=False, reason=" "))


STRAYS = {
    "cycles on a note": note("A", cycles=5),
    "cycles on a stop": stop("A", cycles=1),
    "cycle number on a note": note("A", cycle_number=5),
    "modes on a good cycle": good("A", mode_ids=(1,)),
    "mode on a good cycle": good("A", failure_mode_id=1),
    "counter on a note": note("A", counter=7),
    "reading on a good cycle": good("A", reading=Reading.OPENING),
    "stage on a good cycle": good("A", stage=Stage.BY_HAND),
    "clear time on a note": note("A", clear_seconds=3),
    "condition on a note": note("A", condition=Condition.COLD_START),
    "counter event on an opening": opening("B", counter_event=CounterEvent.RESET),
    "ruling on a note": note("A", relevant=False),
    "target on a note": note("A", target="some-line"),
    "reset on a note": note("A", resets_evidence=True),
}


@pytest.mark.parametrize("line", STRAYS.values(), ids=STRAYS.keys())
def test_a_field_that_means_nothing_on_a_line_is_refused(running, line):
    running.refuse_because(f"be empty on a {line.kind} line", line)


def test_every_kind_of_line_has_its_own_fields_told():
    from trialog.records.entries import _FIELDS_OF, _FORMS, _OWN_FIELDS  # noqa: PLC0415

    assert set(_FORMS) == set(EntryKind)
    assert set(_FIELDS_OF) == set(EntryKind) - {EntryKind.NOTE}
    assert set(NewEntry._fields) >= _OWN_FIELDS


def test_an_error_names_the_field_the_rule_and_the_value(running):
    error = running.refuse(good("A", -1))
    assert isinstance(error, InvalidValueError)
    assert (error.field, error.value) == ("cycles", -1)
    assert str(error) == "cycles must be between 1 and 100000, got -1"


def test_a_fixed_word_is_shown_as_the_word_it_is(running):
    running.refuse_because("got 'opening'", good("A", reading=Reading.OPENING))
    running.refuse_because("got 'by hand'", good("A", stage=Stage.BY_HAND))


def test_a_long_value_is_shortened_in_the_message(running):
    message = str(running.refuse(note("A", "x" * 5000)))
    assert len(message) < 200
    assert message.endswith("…")


def test_nothing_is_half_written_where_the_last_of_many_lines_is_bad(running, cell):
    lines = [good("A") for _ in range(50)] + [failed("A", cell.dropped), good("Z")]
    running.refuse(*lines)
    assert len(running.entries()) == 1
    assert running.verify() == []


def test_an_opening_that_is_refused_with_its_batch_leaves_no_shift(logbook):
    logbook.refuse(opening("A"), good("A", 0))
    assert logbook.entries() == []


def test_the_logbook_goes_on_after_a_refusal(running):
    running.refuse(good("A", 0))
    running.write(good("A"))
    assert running.totals() == (1, 1, 0, 0)
    assert running.verify() == []
