"""Tallies, a row a shift, on their way into the logbook."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialog.errors import InvalidValueError
from trialog.feeds import tallies
from trialog.feeds.tallies import deal
from trialog.records.setup import add_mode
from trialog.records.words import Effect, Stage

HEADER = (
    "shift;opened;closed;stage;operator;cycles;failed_cycles;counter_open;counter_close;"
    "counter_event;note;dropped part;Chips_Left;slow return"
)
ROW = (
    "A;2026-03-02T06:00+01:00;2026-03-02T12:00+01:00;robot attended;Olga Operator;40;;100;142;;"
    "new oil;2;1;0"
)


def tally(*rows, header=HEADER):
    return "\r\n".join([header, *rows])


def row(cycles, failed_cycles="", dropped="", chips="", slow="", **over):
    cells = {
        "shift": "A", "opened": "2026-03-02T06:00Z", "closed": "", "stage": "", "operator": "",
        "cycles": cycles, "failed_cycles": failed_cycles, "counter_open": "", "counter_close": "",
        "counter_event": "", "note": "", "dropped": dropped, "chips": chips, "slow": slow,
    }  # fmt: skip
    return ";".join(str(cell) for cell in (cells | over).values())


def test_a_row_becomes_a_closed_shift(intake, people):
    result = intake.imports(tally(ROW))
    assert (result.form, result.added, result.rejected) == ("tallies", 7, ())
    assert intake.kinds() == ["open", "failed", "failed", "failed", "good", "note", "close"]
    assert intake.modes() == [["dropped part"], ["dropped part"], ["chips left"]]
    assert intake.totals() == (40, 40, 3)
    assert {entry.person_id for entry in intake.entries()} == {people.operator.id}
    shift = intake.shift("A")
    assert (shift.opening_counter, shift.closing_counter) == (100, 142)
    assert shift.stage is Stage.ROBOT_ATTENDED
    assert shift.closed_at == datetime(2026, 3, 2, 11, 0, tzinfo=UTC)


def test_the_order_of_its_cycles_stays_unknown(intake):
    intake.imports(tally(ROW))
    assert {entry.cycle_number for entry in intake.entries()} == {None}


def test_the_least_a_tally_needs_is_shift_opened_and_cycles(intake):
    intake.imports("shift,opened,cycles\nA,2026-03-02T06:00Z,12\nB,2026-03-02T07:00Z,0\n")
    assert intake.kinds() == ["open", "good", "close", "open", "close"]
    assert intake.totals() == (12, 12, 0)


def test_more_cycles_than_one_line_may_hold_are_parted(intake):
    intake.imports("shift,opened,cycles\nA,2026-03-02T06:00Z,250000\n")
    assert [entry.cycles for entry in intake.entries("good")] == [100_000, 100_000, 50_000]


def test_a_tally_imported_twice_adds_nothing(intake):
    intake.imports(tally(ROW))
    again = intake.imports(tally(ROW))
    assert (again.added, again.repeated, again.rejected) == (0, 7, ())


def test_modes_that_met_on_one_cycle_are_dealt_over_the_failed_cycles(intake):
    intake.imports(tally(row(40, 3, dropped=2, chips=1, slow=2)))
    assert intake.modes() == [
        ["dropped part", "slow return"],
        ["dropped part", "chips left"],
        ["slow return"],
    ]
    assert intake.totals() == (40, 40, 3)


@given(st.lists(st.integers(0, 8), min_size=1, max_size=5), st.data(), st.integers(1, 3))
def test_dealing_gives_each_device_as_many_failed_cycles_as_it_can(counts, data, first):
    """A device's failures meet on one cycle only where there are more than failed cycles."""
    total, most = sum(counts), max(counts)
    failed_cycles = data.draw(st.integers(most, total))
    device_of = {mode: mode < first for mode in range(len(counts))}
    dealt = deal(list(enumerate(counts)), failed_cycles)
    assert len(dealt) == failed_cycles
    assert all(modes and len(set(modes)) == len(modes) for modes in dealt)
    assert Counter(mode for modes in dealt for mode in modes) == Counter(
        {mode: count for mode, count in enumerate(counts) if count}
    )
    for device in (True, False):
        seen = sum(count for mode, count in enumerate(counts) if device_of[mode] is device)
        failed = sum(any(device_of[mode] is device for mode in modes) for modes in dealt)
        assert failed == min(seen, failed_cycles)


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (row(4, dropped=3, chips=2), "failures must be at most the shift's 4 cycles, got 5"),
        (row(4, 5, dropped=3, chips=2), "failed_cycles must be at most the shift's 4 cycles"),
        (row(40, 2, dropped=3, chips=1), "lie between 3, the largest count"),
        (row(40, 5, dropped=3, chips=1), "and 4, the sum of all, got 5"),
        (row(40, 1), "failed_cycles must lie between 0"),
        (row(""), "cycles must be given, got ''"),
        (row(-1), "cycles must be between 0 and 1000000, got -1"),
        (row(10**6, dropped=99_999, chips=2), "failures must be between 0 and 100000, got 100001"),
        (row("12,5"), "cycles must be a whole number, got '12,5'"),
        (row("1.920"), "cycles must be written without thousands separators"),
        (row(5, dropped="x"), "dropped_part must be a number, got 'x'"),
        (row(5, opened=""), "opened must be given, got ''"),
        (row(5, opened="2026-03-02T06:00"), "opened must carry a time zone"),
        (row(5, opened="2026-03-02T16:00Z"), "time must not lie in the future"),
        (row(5, closed="2026-03-02T05:00Z"), "closed must not lie before opened"),
        (row(5, shift=" "), "shift must not be empty"),
        (row(5, stage="alone"), "stage must be one of by hand, robot attended, unattended"),
        (row(5, operator="Nobody"), "person must be the name of a person in the records"),
        (row(5, counter_open=100, counter_close=104), "cover the 5 logged cycles"),
        (row(5, counter_open=100, counter_close=4), "at least the opening reading 100"),
        (row(5, counter_event="reset"), "counter must be given"),
        (row(5) + ";7", "line must have at most 14 cells, got 15"),
    ],
)  # fmt: skip
def test_a_bad_row_is_rejected_and_leaves_no_trace(intake, reasons, bad, reason):
    other = row(7, shift="B", opened="2026-03-02T08:00Z")
    result = intake.imports(tally(bad, other), good_lines_only=True)
    assert list(reasons(result)) == [2]
    assert reason in reasons(result)[2]
    assert intake.kinds() == ["open", "good", "close"]
    assert intake.shift("B").closed_at is not None


def test_decimal_commas_are_read_where_the_delimiter_is_another(intake):
    intake.imports(tally(row("12,0")))
    assert intake.totals() == (12, 12, 0)


def test_a_mismatch_with_the_counter_can_be_accepted(intake):
    header = "shift,opened,cycles,counter_open,counter_close,mismatch_accepted"
    result = intake.imports(tally("A,2026-03-02T06:00Z,5,100,104,yes", header=header))
    assert result.rejected == ()


def test_a_file_whose_shifts_come_to_too_many_lines_is_refused(intake, monkeypatch):
    monkeypatch.setattr(tallies, "MOST_LINES", 9)
    with pytest.raises(InvalidValueError, match=r"at most 9 lines .* got 'line 3'"):
        intake.imports(tally(row(40, dropped=4), row(40, dropped=4, shift="B")))
    assert intake.kinds() == []


def test_a_shift_given_twice_is_rejected_the_second_time(intake, reasons):
    result = intake.imports(tally(row(5), row(6)))
    assert reasons(result) == {3: "shift must be new, but 'A' was opened before"}


def test_a_column_that_is_no_failure_mode_is_refused(intake):
    with pytest.raises(InvalidValueError, match="did you mean 'chips left'"):
        intake.imports("shift,opened,cycles,chip left\n")


def test_two_modes_that_differ_in_spelling_alone_are_told_apart(intake, session, now, cell):
    add_mode(session, cell.jet, "Chips Left", Effect.NUISANCE, actor=None, now=now)
    session.commit()
    intake.imports("shift,opened,cycles,Chips Left\nA,2026-03-02T06:00Z,5,1\n")
    assert intake.modes() == [["Chips Left"]]
    with pytest.raises(InvalidValueError, match="say which it means"):
        intake.imports("shift,opened,cycles,CHIPS LEFT\nB,2026-03-02T06:00Z,5,1\n")
