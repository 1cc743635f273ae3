"""Cycle logs, a row a cycle, on their way into the logbook."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import select
from support.cells import make_cell

from trialog.errors import InvalidValueError
from trialog.records.models import DueReport
from trialog.records.words import Condition, CounterEvent, EntryKind, Reading, Stage

DAY = "2026-03-02T"


def log(*rows, header="shift,cycle,time,outcome,modes,operator,note"):
    return "\n".join([header, *rows]) + "\n"


SMALL = log(
    f"A,1,{DAY}06:00:00Z,good,,Olga Operator,",
    f"A,2,{DAY}06:01:00Z,failed,chips left;dropped part,Olga Operator,fell on the tray",
    f"A,3,{DAY}06:02:00Z,good,,Olga Operator,",
)


def test_a_shift_without_an_open_row_is_opened_and_closed_around_its_rows(intake):
    result = intake.imports(SMALL)
    assert (result.added, result.written) == (5, True)
    assert intake.kinds() == ["open", "good", "failed", "good", "close"]
    shift = intake.shift("A")
    assert shift.opened_at == datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
    assert shift.closed_at == datetime(2026, 3, 2, 6, 2, tzinfo=UTC)
    assert shift.stage is Stage.BY_HAND
    assert shift.opening_counter is None


def test_the_reports_of_the_shifts_of_a_file_are_due(intake, session, now):
    intake.imports(SMALL)
    due = session.scalars(select(DueReport)).one()
    assert (due.shift_id, due.next_try_at) == (intake.shift("A").id, now)


def test_a_row_brings_its_modes_person_time_number_and_note(intake, people):
    intake.imports(SMALL)
    [failed] = intake.entries("failed")
    assert intake.modes() == [["dropped part", "chips left"]]
    assert failed.person_id == people.operator.id
    assert failed.cycle_number == 2
    assert failed.text == "fell on the tray"
    assert failed.occurred_at == datetime(2026, 3, 2, 6, 1, tzinfo=UTC)


def test_the_summary_says_what_the_shift_then_holds(intake):
    [shift] = intake.imports(SMALL).shifts
    assert (shift.label, shift.new, shift.added, shift.cycles, shift.failed) == ("A", True, 5, 3, 1)


@pytest.mark.parametrize("modes", ["chips left;dropped part", "chips left + dropped part"])
def test_modes_are_parted_by_semicolon_or_plus(intake, modes):
    intake.imports(log(f"A,1,{DAY}06:00Z,failed,{modes},,"))
    assert intake.modes() == [["dropped part", "chips left"]]


def test_columns_may_stand_in_any_order_and_spelling(intake):
    content = log(f"good,{DAY}06:00Z,A,5,yes", header="Outcome,TIME, Shift ,Cycles,Order-Known")
    assert intake.imports(content).added == 3
    assert intake.totals() == (5, 5, 0)


def test_an_unknown_column_is_named_with_the_one_that_was_meant(intake):
    content = log("A,good,x", header="shift,outcome,operater")
    with pytest.raises(InvalidValueError, match=r"'operator'\?.*got 'operater'"):
        intake.imports(content)


@pytest.mark.parametrize("header", ["a,b", "shift,time", "opened,cycles"])
def test_a_header_of_neither_form_is_refused(intake, header):
    with pytest.raises(InvalidValueError, match="header must name the columns"):
        intake.imports(log("1,2", header=header))


def test_importing_a_file_twice_adds_nothing_and_says_so(intake):
    intake.imports(SMALL)
    again = intake.imports(SMALL)
    assert (again.added, again.repeated, again.rejected) == (0, 3, ())
    assert again.in_words == "This adds nothing: all 3 lines are in the logbook already."
    assert len(intake.entries()) == 5


def test_a_file_saved_anew_by_a_spreadsheet_repeats_its_lines_too(intake):
    intake.imports(SMALL)
    saved = SMALL.replace(";", " + ").replace(",", ";").replace("06:01:00Z", "07:01:00+01:00")
    assert intake.imports(saved.encode("utf-16")).repeated == 3


def test_equal_rows_without_numbers_are_cycles_of_their_own(intake):
    content = log(*["A,good"] * 4, header="shift,outcome")
    intake.imports(content)
    assert intake.totals() == (4, 4, 0)
    assert [entry.cycle_number for entry in intake.entries("good")] == [1, 2, 3, 4]
    assert intake.imports(content).repeated == 4


def test_rows_without_any_time_happen_when_they_are_imported(intake, now):
    intake.imports(log("A,good", header="shift,outcome"))
    assert {entry.occurred_at for entry in intake.entries()} == {now}


def test_a_row_without_a_time_takes_that_of_the_row_before_it(intake):
    intake.imports(log(
        "A,,,good,,,", f"A,,{DAY}06:00Z,good,,,", "A,,,good,,,", f"A,,{DAY}07:00Z,good,,,",
    ))  # fmt: skip
    hours = [entry.occurred_at.hour for entry in intake.entries("good")]
    assert hours == [6, 6, 6, 7]


def test_a_shift_with_an_open_row_stays_open_until_a_close_row(intake):
    header = "shift,time,outcome,stage,counter,cycles"
    intake.imports(log(
        f"A,{DAY}06:00Z,open,robot attended,100,", f"A,{DAY}06:10Z,good,,,10", header=header,
    ))  # fmt: skip
    assert intake.shift("A").closed_at is None
    assert intake.shift("A").stage is Stage.ROBOT_ATTENDED
    intake.imports(log(f"A,{DAY}07:00Z,close,,110,", header=header))
    assert intake.shift("A").closing_counter == 110


def test_an_open_shift_is_continued_and_left_open(intake):
    header = "shift,time,outcome,cycles"
    intake.imports(log(f"A,{DAY}06:00Z,open,", header=header))
    result = intake.imports(log(f"A,{DAY}06:30Z,good,7", header=header))
    assert intake.kinds() == ["open", "good"]
    assert not result.shifts[0].new
    assert intake.shift("A").closed_at is None


def test_a_close_row_closes_a_shift_that_no_row_opened(intake):
    content = log(
        f"A,{DAY}06:00Z,good,", f"A,{DAY}06:30Z,close,500", header="shift,time,outcome,counter"
    )
    intake.imports(content)
    assert intake.kinds() == ["open", "good", "close"]
    assert intake.shift("A").closing_counter == 500


def test_the_stage_of_a_shift_without_open_row_comes_from_its_rows(intake):
    intake.imports(log(f"A,{DAY}06:00Z,good,unattended", header="shift,time,outcome,stage"))
    assert intake.shift("A").stage is Stage.UNATTENDED


def test_rows_of_one_shift_that_disagree_on_the_stage_are_rejected(intake, reasons):
    content = log(
        f"A,{DAY}06:00Z,good,unattended", f"A,{DAY}06:01Z,good,by hand",
        header="shift,time,outcome,stage",
    )  # fmt: skip
    assert reasons(intake.imports(content)) == {
        3: "stage must be that of shift 'A', 'unattended', got 'by hand'"
    }


def test_rows_of_several_shifts_may_be_mixed(intake):
    intake.imports(log(
        f"A,1,{DAY}06:00Z,good,,,", f"B,1,{DAY}07:00Z,good,,,", f"A,2,{DAY}06:05Z,good,,,",
    ))  # fmt: skip
    assert intake.shift("A").closed_at == datetime(2026, 3, 2, 6, 5, tzinfo=UTC)
    assert intake.shift("B").closed_at == datetime(2026, 3, 2, 7, 0, tzinfo=UTC)


EVERY_KIND = log(
    "A,1,open,2026-03-01T06:00Z,,,,by hand,9990,,,,,,,,,,,",
    "A,2,condition,2026-03-01T06:00Z,,,,,,,,cold start,,,,,,,,",
    "A,3,good,2026-03-01T06:01Z,,12,12,,,,,,,,,,,,,",
    "A,4,failed,2026-03-01T06:02Z,chips left+slow return,13,,,,,,,,,,,,,,",
    'A,5,stop,2026-03-01T06:03Z,,,,,,,"90",,,,,,,,,jam at the chute',
    "A,6,note,2026-03-01T06:04Z,,,,,,,,,,,,,,,,new oil",
    "A,7,good,2026-03-01T06:05Z,,,1,,,,,,,,,,,,,",
    "A,8,undo,2026-03-01T06:06Z,,,,,,,,,,,,,,7,,",
    "A,9,close,2026-03-01T07:00Z,,,,,5,rolled over,,,,,,,,,,",
    "A,10,reading,2026-03-01T07:05Z,,,,,6,,,,closing,,,,,,misread,",
    "A,11,ruling,2026-03-01T08:00Z,,,,,,,,,,,,non-relevant,slow return,4,seen on video,",
    ",12,revision,2026-03-01T09:00Z,,,,,,,,,,arm,no,,,,label only,new label",
    ",13,revision,2026-03-01T10:00Z,,,,,,,,,,jet,yes,,,,,wider nozzle",
    ",14,undo,2026-03-01T10:01Z,,,,,,,,,,,,,,13,,",
    f"A,15,photo,2026-03-01T10:02Z,,,,,,,,,,,,,,4,,,{'ab' * 32}",
    "B,16,open,2026-03-01T11:00Z,,,,by hand,7,,,,,,,,,,,",
    "B,17,check,2026-03-01T11:01Z,,,20,,,,,,,,,,,,,",
    "B,18,check,2026-03-01T11:01Z,chips left,1,,,,,,,,,,,,,,",
    "B,19,close,2026-03-01T12:00Z,,,,,7,,,,,,,,,,,",
    "B,20,count,2026-03-01T11:30Z,,,,,412,,,,,,,,,,,ACTIVE",
    ",21,count,2026-03-01T13:00Z,,,,,0,reset,,,,,,,,,,",
    header="shift,id,outcome,time,modes,cycle,cycles,stage,counter,counter_event,clear_seconds,"
    "condition,reading,device,resets_evidence,ruling,mode,target,reason,note,photo",
)


def test_every_kind_of_line_can_be_carried(intake, cell):
    assert intake.imports(EVERY_KIND).rejected == ()
    entries = {entry.client_id: entry for entry in intake.entries()}
    assert {entry.kind for entry in entries.values()} == set(EntryKind)
    assert entries["2"].condition is Condition.COLD_START
    assert (entries["3"].cycles, entries["3"].cycle_number) == (12, 12)
    assert entries["5"].clear_seconds == 90
    assert entries["9"].counter_event is CounterEvent.ROLLED_OVER
    assert (entries["10"].reading, entries["10"].counter) == (Reading.CLOSING, 6)
    assert (entries["11"].relevant, entries["11"].failure_mode_id) == (False, cell.slow.id)
    assert (entries["12"].device_id, entries["12"].resets_evidence) == (cell.arm.id, False)
    assert entries["8"].target == "7"
    assert (entries["15"].target, entries["15"].photo) == ("4", "ab" * 32)
    assert [entries["17"].cycles, entries["18"].cycles] == [20, 1]
    assert [mode.name for mode in entries["18"].modes] == ["chips left"]
    assert intake.totals() == (13, 13, 1)


def test_a_line_with_a_known_id_and_other_content_is_rejected(intake, reasons):
    intake.imports(EVERY_KIND)
    changed = intake.imports(EVERY_KIND.replace("new oil", "old oil"))
    assert changed.added == 0
    assert reasons(changed) == {
        7: "client_id must be new for a new line, but '6' already stands for a note line "
        "with other content"
    }


GOOD = f"A,1,{DAY}06:00Z,good,,,"


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (f",2,{DAY}06:01Z,good,,,", "shift must be given, got ''"),
        (f"A,2,{DAY}06:01Z,,,,", "outcome must be one of open, good, failed"),
        (f"A,2,{DAY}06:01Z,bad,,,", "outcome must be one of open, good, failed"),
        (f"A,2,{DAY}06:01,good,,,", "time must carry a time zone"),
        ("A,2,2026-03-02,good,,,", "time must carry a time zone"),
        ("A,2,06:01,good,,,", "time must be an ISO 8601 time"),
        ("A,2,0001-01-01T00:00+14:00,good,,,", "time must be an ISO 8601 time"),
        ("A,2,2026-03-02T15:00Z,good,,,", "time must not lie in the future"),
        (f"A,2,{DAY}06:01Z,failed,,,", "failure modes must be given"),
        (f"A,2,{DAY}06:01Z,failed,chips left;chips left,,", "modes must name each failure mode"),
        (f"A,2,{DAY}06:01Z,failed,chip left,,", "did you mean 'chips left'?), got 'chip left'"),
        (f"A,2,{DAY}06:01Z,failed,flood,,", "failure mode must be the name of a failure mode"),
        (f"A,2,{DAY}06:01Z,good,,Olga Oprator,", "mean 'Olga Operator'?), got 'Olga Oprator'"),
        (f"A,2,{DAY}06:01Z,good,chips left,,", "modes must be empty on a 'good' line"),
        (f"A,2,{DAY}06:01Z,note,,,busy", "cycle must be empty on a 'note' line, got '2'"),
        (f"A,two,{DAY}06:01Z,good,,,", "cycle must be a number, got 'two'"),
        (f"A,1.5,{DAY}06:01Z,good,,,", "cycle must be a whole number, got '1.5'"),
        (f"A,0,{DAY}06:01Z,good,,,", "cycle must be between 1 and"),
        (f"A,-3,{DAY}06:01Z,good,,,", "cycle must be between 1 and"),
        (f"A,99999999999,{DAY}06:01Z,good,,,", "cycle must be between 1 and"),
        (f"A,{'9' * 5000},{DAY}06:01Z,good,,,", "cycle must be a number"),
        (f"A,1,{DAY}06:01Z,good,,,", "cycle 1 of shift 'A' is already logged, got 1"),
        (f"A,,{DAY}06:01Z,note,,,{'x' * 2001}", "text must be at most 2000 characters"),
        (f"{'S' * 500},2,{DAY}06:01Z,good,,,", "shift must be at most 120 characters"),
        (f"A,2,{DAY}06:01Z,good,,,,,spare", "line must have at most 7 cells, got 9"),
    ],
)
def test_a_bad_line_is_rejected_with_field_rule_and_value(intake, reasons, row, reason):
    result = intake.imports(log(GOOD, row))
    assert list(reasons(result)) == [3]
    assert reason in reasons(result)[3]
    assert not result.written
    assert intake.entries() == []


def test_an_unknown_device_is_named_with_the_one_that_was_meant(intake, reasons):
    content = log("revision,jett,yes,new", header="outcome,device,resets_evidence,note,shift")
    assert "did you mean 'jet'?), got 'jett'" in reasons(intake.imports(content))[2]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (",revision,jet,maybe,,", "resets_evidence must be yes or no, got 'maybe'"),
        ("A,ruling,,,perhaps,x", "ruling must be relevant or non-relevant, got 'perhaps'"),
        ("A,ruling,,,relevant,x", "target must be a line of shift 'A', got 'x'"),
        ("A,undo,,,,x", "target must be a line of shift 'A', got 'x'"),
        (",undo,,,,x", "target must be a line of the cell's logbook, got 'x'"),
    ],
)
def test_a_correction_says_what_it_means(intake, reasons, row, reason):
    content = log(row, header="shift,outcome,device,resets_evidence,ruling,target")
    assert reasons(intake.imports(content)) == {2: reason}


def test_the_lines_after_the_closing_counter_s_last_cycle_may_be_undone(intake):
    content = log(
        f"A,,{DAY}06:00Z,open,100,,", f"A,1,{DAY}06:01Z,good,,,", f"A,2,{DAY}06:02Z,good,,x,",
        f"A,,{DAY}06:03Z,undo,,,x", f"A,,{DAY}07:00Z,close,101,,",
        header="shift,cycle,time,outcome,counter,id,target",
    )  # fmt: skip
    assert intake.imports(content).rejected == ()
    assert intake.totals() == (1, 1, 0)


def test_a_longer_file_adds_what_is_new(intake):
    header = "shift,time,outcome,cycles"
    rows = [f"A,{DAY}06:00Z,open,", f"A,{DAY}06:01Z,good,5"]
    intake.imports(log(*rows, header=header))
    result = intake.imports(log(*rows, f"A,{DAY}06:02Z,good,6", header=header))
    assert result.in_words == "Adds 1 line to the logbook; 2 were there already."
    assert intake.totals() == (11, 11, 0)


def test_a_revision_belongs_to_no_shift(intake, reasons):
    content = log("A,revision,jet,yes,new", header="shift,outcome,device,resets_evidence,note")
    assert reasons(intake.imports(content))[2].startswith("shift must be empty on a 'revision'")


def test_cycle_numbers_out_of_order_are_rejected_line_by_line(intake, reasons):
    content = log(*[f"A,{n},{DAY}06:00Z,good,,," for n in (1, 4, 3, 2, 5)])
    result = intake.imports(content, good_lines_only=True)
    assert list(reasons(result)) == [4, 5]
    assert [entry.cycle_number for entry in intake.entries("good")] == [1, 4, 5]


def test_cycle_numbers_beyond_the_machine_counter_are_rejected_line_by_line(intake, reasons):
    rows = [f"A,{n},{DAY}06:00Z,good," for n in range(1, 8)]
    content = log(
        f"A,,{DAY}06:00Z,open,100", *rows, f"A,,{DAY}07:00Z,close,105",
        header="shift,cycle,time,outcome,counter",
    )  # fmt: skip
    result = intake.imports(content)
    assert reasons(result) == {
        line: f"cycle must be at most 5, the cycles that the machine counted in shift 'A', got {n}"
        for line, n in ((8, 6), (9, 7))
    }
    assert intake.imports(content, good_lines_only=True).added == 7


def test_a_closing_reading_below_the_logged_cycles_needs_the_difference_accepted(intake, reasons):
    header = "shift,time,outcome,counter,cycles,mismatch_accepted"
    rows = [f"A,{DAY}06:00Z,open,100,,", f"A,{DAY}06:01Z,good,,9,"]
    bare = intake.imports(log(*rows, f"A,{DAY}07:00Z,close,105,,", header=header))
    assert "cover the 9 logged cycles" in reasons(bare)[4]
    accepted = log(*rows, f"A,{DAY}07:00Z,close,105,,yes", header=header)
    assert intake.imports(accepted).rejected == ()


def test_a_shift_closed_twice_is_rejected(intake, reasons):
    content = log(
        f"A,{DAY}06:00Z,open", f"A,{DAY}07:00Z,close", f"A,{DAY}07:01Z,close",
        header="shift,time,outcome",
    )  # fmt: skip
    assert reasons(intake.imports(content)) == {4: "shift 'A' is closed; no close line can follow"}


def test_a_counter_that_went_back_without_a_reason_is_rejected(intake, reasons):
    content = log(
        f"A,{DAY}06:00Z,open,500", f"A,{DAY}07:00Z,close,20", header="shift,time,outcome,counter"
    )
    assert "at least the opening reading 500" in reasons(intake.imports(content))[3]


def test_two_shifts_that_would_be_open_at_once_are_rejected(intake, reasons):
    content = log(f"A,{DAY}06:00Z,open", f"B,{DAY}07:00Z,open", header="shift,time,outcome")
    for good_lines_only in (False, True):
        result = intake.imports(content, good_lines_only=good_lines_only)
        assert "only one shift of a cell can be open" in reasons(result)[3]
        assert not result.written
    assert intake.entries() == []


def test_undoing_a_closing_beside_an_open_shift_is_rejected(intake, reasons):
    header = "shift,time,outcome,id,target"
    intake.imports(log(
        f"A,{DAY}06:00Z,open,,", f"A,{DAY}07:00Z,close,end,", f"B,{DAY}08:00Z,open,,",
        header=header,
    ))  # fmt: skip
    result = intake.imports(log(f"A,{DAY}09:00Z,undo,,end", header=header))
    assert "only one shift of a cell can be open" in reasons(result)[2]


def test_all_or_nothing_is_the_rule(intake):
    result = intake.imports(log(GOOD, f"A,2,{DAY}06:01,good,,,"))
    assert (result.added, result.acceptable, result.written) == (0, 3, False)
    assert result.in_words == "Nothing is added: 1 line cannot be imported."
    assert intake.entries() == []


def test_the_good_lines_alone_go_in_on_request(intake):
    result = intake.imports(log(GOOD, f"A,2,{DAY}06:01,good,,,"), good_lines_only=True)
    assert (result.added, result.written) == (3, True)
    assert result.in_words == "Adds 3 lines to the logbook; leaves out 1 line of the file."
    assert intake.kinds() == ["open", "good", "close"]


@pytest.mark.parametrize("good_lines_only", [False, True])
@pytest.mark.parametrize("content", [SMALL, log(GOOD, "A,1,,good,,,"), EVERY_KIND])
def test_a_preview_says_what_the_import_does_and_writes_nothing(intake, content, good_lines_only):
    shown = intake.previews(content, good_lines_only=good_lines_only)
    assert intake.entries() == []
    assert not shown.written
    done = intake.imports(content, good_lines_only=good_lines_only)
    for name in ("form", "added", "repeated", "acceptable", "rejected", "shifts", "in_words"):
        assert getattr(shown, name) == getattr(done, name), name


def test_a_rejected_line_shows_its_text_shortened(intake):
    [line] = intake.imports(log(f"A,1,{DAY}06:00,good,,,{'long ' * 100}")).rejected
    assert line.line == 2
    assert line.text.startswith("A | 1 | 2026-03-02T06:00 | good")
    assert len(line.text) == 120


def test_the_same_file_goes_into_two_cells(intake, session, now):
    intake.imports(SMALL)
    other = make_cell(session, now, "Lathe 5")
    session.commit()
    intake.cell = other.cell
    assert intake.imports(SMALL).added == 5
