"""A shift's page: the report, rulings, corrections, the logbook."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import select
from support.cells import (
    condition,
    count,
    failed,
    good,
    log_shift,
    make_cell,
    new_id,
    note,
    opening,
    stop,
    undo,
    write,
)

from trialog.records.database import unit_of_work
from trialog.records.models import CellRollup, Entry, Shift
from trialog.records.queries import open_shift
from trialog.records.words import Condition, EntryKind

UNKNOWN = "0a1b2c3d-0000-4000-8000-00000000000"
RULING = {
    "cause": "handling by the operator", "words": "seen on video", "decision": "non-relevant",
}  # fmt: skip


@pytest.fixture
def shift(session, cell, people, now):
    """Return a closed shift with 20 good cycles and one failed cycle of two modes."""
    log_shift(
        session, cell, "early A", now=now, good=20, failed=[(cell.dropped, cell.chips)],
        counters=(100, 121), actor=people.operator,
    )  # fmt: skip
    return session.scalars(select(Shift)).one()


@pytest.fixture
def failed_line(session, shift):
    return session.scalars(select(Entry).where(Entry.kind == EntryKind.FAILED)).one()


def path(shift, rest=""):
    return f"/shifts/{shift.id}{rest}"


def send(visitor, shift, rest, **data):
    return visitor.post(path(shift, rest), data, page=path(shift))


def rule(visitor, shift, entry, mode, **fields):
    data = RULING | {"ruling_id": new_id("rule"), "entry": entry.client_id, "mode_id": mode.id}
    return send(visitor, shift, "/rulings", **data | fields)


def totals(session, shift):
    session.rollback()
    row = session.scalars(select(CellRollup).where(CellRollup.shift_id == shift.id)).one()
    return row.cycles, row.failures, row.no_tests


@pytest.mark.parametrize("role", ["operator", "engineer", "approver", "admin"])
def test_everybody_who_is_signed_in_reads_the_report(request, shift, role):
    page = request.getfixturevalue(role).get(path(shift))
    assert page.status_code == 200
    assert "chips left" in page.text
    assert "21 cycles" in page.text


def test_a_stranger_is_asked_to_sign_in(stranger, shift):
    for rest in ("", "/report.html", "/report.json"):
        assert "/login?next=" in stranger.get(path(shift, rest)).location


def test_the_report_comes_as_one_file(operator, shift):
    answer = operator.get(path(shift, "/report.html"))
    assert answer.headers["Content-Disposition"].startswith("attachment")
    assert "early A" in answer.text


def test_the_report_comes_as_data(operator, shift):
    report = json.loads(operator.get(path(shift, "/report.json")).text)
    assert (report["shift"], report["logged"], report["failed"]) == ("early A", 21, 1)


def test_an_unknown_shift_is_not_there(operator):
    assert operator.get("/shifts/999").status_code == 404


def test_an_engineer_rules_a_failure_non_relevant_with_a_reason(
    engineer, session, shift, failed_line, cell
):
    for mode in (cell.dropped, cell.chips):
        assert rule(engineer, shift, failed_line, mode).status_code == 302
    assert totals(session, shift) == (20, 0, 1)
    assert "handling by the operator: seen on video" in engineer.get(path(shift)).text


def test_a_ruling_on_one_mode_leaves_the_other_as_it_is(
    engineer, session, shift, failed_line, cell
):
    rule(engineer, shift, failed_line, cell.dropped)
    assert totals(session, shift) == (21, 1, 0)


def test_a_non_relevant_ruling_needs_a_reason(engineer, session, shift, failed_line, cell):
    answer = rule(engineer, shift, failed_line, cell.chips, words=" ")
    assert answer.status_code == 422
    assert "reason must be given" in answer.text.lower()
    assert totals(session, shift) == (21, 1, 0)


def test_a_ruling_is_taken_back(engineer, session, shift, failed_line, cell):
    for mode in (cell.dropped, cell.chips):
        rule(engineer, shift, failed_line, mode)
    session.rollback()
    rulings = session.scalars(select(Entry).where(Entry.kind == EntryKind.RULING)).all()
    for number, entry in enumerate(rulings):
        answer = send(
            engineer, shift, "/undo", client_id=f"{UNKNOWN}{number}", target=entry.client_id
        )
        assert answer.status_code == 302
    assert totals(session, shift) == (21, 1, 0)


def test_a_ruling_sent_twice_is_written_once(engineer, session, shift, failed_line, cell):
    again = new_id("rule")
    for _ in range(2):
        assert rule(engineer, shift, failed_line, cell.chips, ruling_id=again).status_code == 302
    session.rollback()
    assert len(session.scalars(select(Entry).where(Entry.kind == EntryKind.RULING)).all()) == 1


@pytest.mark.parametrize("role", ["operator", "approver"])
def test_others_see_no_rulings_form(request, shift, role):
    assert "Rule on the failures" not in request.getfixturevalue(role).get(path(shift)).text


@pytest.mark.parametrize("role", ["operator", "approver"])
def test_others_may_not_rule(request, session, failed_line, cell, role):
    visitor, shift = request.getfixturevalue(role), session.scalars(select(Shift)).one()
    data = RULING | {
        "ruling_id": new_id("rule"),
        "entry": failed_line.client_id,
        "mode_id": cell.chips.id,
        "csrf_token": visitor.token(),
    }
    assert visitor.client.post(path(shift, "/rulings"), data=data).status_code == 403
    assert totals(session, shift) == (21, 1, 0)


@pytest.mark.parametrize("decision", ["", "perhaps"])
def test_a_ruling_of_another_form_is_refused(engineer, shift, failed_line, cell, decision):
    assert rule(engineer, shift, failed_line, cell.chips, decision=decision).status_code == 422


def test_a_mode_that_the_failure_does_not_carry_cannot_be_ruled_on(
    engineer, shift, failed_line, cell
):
    answer = rule(engineer, shift, failed_line, cell.missed)
    assert answer.status_code == 422
    assert "be one of the failed cycle" in answer.text


def test_a_failure_of_another_cell_cannot_be_ruled_on_here(engineer, session, shift, now, cell):
    with unit_of_work(session):
        other = make_cell(session, now, "Lathe 5")
    log_shift(session, other, "early A", now=now, failed=[other.chips])
    foreign = session.scalars(
        select(Entry).where(Entry.kind == EntryKind.FAILED, Entry.cell_id == other.id)
    ).one()
    assert rule(engineer, shift, foreign, cell.chips).status_code == 422


def correct(visitor, shift, **fields):
    data = {"client_id": f"{UNKNOWN}a", "reading": "closing", "counter": "130", "reason": "photo"}
    return send(visitor, shift, "/readings", **data | fields)


def test_an_engineer_corrects_a_counter_reading(engineer, session, shift):
    assert correct(engineer, shift).status_code == 302
    session.rollback()
    assert session.get_one(Shift, shift.id).closing_counter == 130
    assert "9 cycles nobody logged" in engineer.get(path(shift)).text


@pytest.mark.parametrize(
    "fields", [{"counter": ""}, {"counter": "x"}, {"counter": "-1"}, {"reason": " "},
               {"reading": "middle"}, {"client_id": "no"}],
)  # fmt: skip
def test_a_bad_correction_is_refused(engineer, session, shift, fields):
    assert correct(engineer, shift, **fields).status_code == 422
    session.rollback()
    assert session.get_one(Shift, shift.id).closing_counter == 121


def test_a_correction_is_undone(engineer, session, shift):
    correct(engineer, shift)
    answer = send(engineer, shift, "/undo", client_id=f"{UNKNOWN}b", target=f"{UNKNOWN}a")
    assert answer.status_code == 302
    session.rollback()
    assert session.get_one(Shift, shift.id).closing_counter == 121


def test_an_engineer_undoes_the_closing_and_the_shift_is_open_again(engineer, session, shift, cell):
    closing = session.scalars(select(Entry).where(Entry.kind == EntryKind.SHIFT_CLOSED)).one()
    answer = send(engineer, shift, "/undo", client_id=f"{UNKNOWN}c", target=closing.client_id)
    assert answer.status_code == 302
    session.rollback()
    assert open_shift(session, cell.cell).id == shift.id
    assert "Log cycles" in engineer.get(path(shift)).text


@pytest.mark.parametrize("kind", [EntryKind.SHIFT_CLOSED, EntryKind.GOOD])
def test_an_operator_may_not_undo_anything_of_a_closed_shift(operator, session, shift, kind):
    entry = session.scalars(select(Entry).where(Entry.kind == kind)).one()
    session.rollback()
    data = {
        "client_id": f"{UNKNOWN}d", "target": entry.client_id, "csrf_token": operator.token()
    }  # fmt: skip
    answer = operator.client.post(path(shift, "/undo"), data=data)
    assert answer.status_code == 422
    assert "may not correct closed shifts" in answer.text
    session.rollback()
    assert session.get_one(Shift, shift.id).closed_at is not None


def test_the_logbook_lists_every_line_and_says_what_was_undone(
    engineer, session, cell, people, now
):
    by = {"person_id": people.operator.id}
    wrong = failed("late B", cell.chips, **by)
    write(
        session, cell, opening("late B", counter=5, **by), good("late B", 12, **by), wrong,
        stop("late B", 125, **by), note("late B", "<script>alert(1)</script>", **by),
        condition("late B", Condition.MATERIAL_LOT, text="coil 7", **by),
        undo(wrong.client_id, **by), actor=people.engineer, now=now,
    )  # fmt: skip
    shift = session.scalars(select(Shift)).one()
    page = engineer.get(path(shift)).text
    assert "shift opened, counter at 5" in page
    assert "12 good cycles, 1 to 12" in page
    assert "<s>failed cycle 13, chips left</s> <strong>undone</strong>" in page
    assert "by Emil Engineer" in page
    assert "Undo: failed cycle 13, chips left" in page
    assert "stop, 2 min 5 s to clear" in page
    assert "new material lot, coil 7" in page
    assert "<script>alert(1)" not in page
    assert "Olga Operator" in page
    assert "entered by Emil Engineer" in page


def test_the_page_runs_no_script_and_takes_no_inline_style(operator, shift):
    answer = operator.get(path(shift))
    rules = answer.headers["Content-Security-Policy"].split("; ")
    # The chart library sets styles on elements; nothing else may be inline.
    assert [rule for rule in rules if "unsafe-inline" in rule] == [
        "style-src 'self' 'unsafe-inline'"
    ]
    assert " style=" not in answer.text
    assert "<style" not in answer.text


def test_what_the_machine_said_is_listed_with_its_gaps(session, cell, operator, now):
    log = [count(5_400), count(5_401, reason="the agent was <b>started</b> anew"), count(5_402)]
    write(session, cell, opening("early A"), good("early A"), *log, now=now)
    text = operator.get(path(session.scalars(select(Shift)).one())).text
    assert "All 2 lines of this shift" in text
    assert "What the machine itself said: 3 lines" in text
    said = (
        "Its count went from 5,400 at 14:00:00 to 5,402 at 14:00:00. Readings are missing before "
    )
    assert f"{said}1 line of it." in text
    assert "the agent was &lt;b&gt;started&lt;/b&gt; anew" in text
    assert "only the first and the last count" not in text


def test_thousands_of_the_machines_lines_are_summed_up(session, cell, operator, now):
    log = [count(number) for number in range(500)]
    write(session, cell, opening("early A"), *log, now=now)
    text = operator.get(path(session.scalars(select(Shift)).one())).text
    assert "What the machine itself said: 500 lines" in text
    assert "only the first and the last count" in text
    assert text.count("the machine: counter at") == 2


def test_a_shift_without_a_machines_lines_says_nothing_of_them(shift, operator):
    assert "What the machine itself said" not in operator.get(path(shift)).text
