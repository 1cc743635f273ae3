"""Lines that the logbook did not take: shown with why, mended and written in, or left out."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import select
from support.cells import closing, make_cell, write

from trialog.records.models import Entry, ParkedLine
from trialog.records.verify import verify


def park(tablet, *lines):
    """Send lines that must all be parked, and return their numbers."""
    answer = tablet.send(*lines)
    assert [one["status"] for one in answer.get_json()["entries"]] == ["parked"] * len(lines)
    tablet.session.rollback()
    ids = [line["client_id"] for line in lines]
    found = tablet.session.scalars(select(ParkedLine).where(ParkedLine.client_id.in_(ids)))
    numbers = {line.client_id: line.id for line in found}
    return [numbers[one] for one in ids]


def page_of(visitor, cell):
    return visitor.get(f"/cells/{cell.id}/parked")


def write_in(visitor, cell, number, **fields):
    data = {f"line-{number}-{name}": value for name, value in fields.items()}
    return visitor.post(f"/parked/{number}/write-in", data, page=f"/cells/{cell.id}/parked")


def leave_out(visitor, cell, number, reason="tapped twice"):
    data = {f"leave-{number}-reason": reason}
    return visitor.post(f"/parked/{number}/leave-out", data, page=f"/cells/{cell.id}/parked")


def entry(session, client_id):
    session.rollback()
    return session.scalar(select(Entry).where(Entry.client_id == client_id))


def line_of(session, number):
    session.rollback()
    return session.get_one(ParkedLine, number)


def test_a_parked_line_is_shown_with_who_where_and_why(tablet, engineer, cell, shift):
    park(tablet, tablet.tap("failed", modes=[cell.chips.id, 999], cycle_number=4))
    page = page_of(engineer, cell).text
    for words in ("Failed cycle", "Olga Operator", "blue tablet", "must belong to the cell",
                  "early A"):  # fmt: skip
        assert words in page


def test_the_cells_page_leads_an_engineer_there_and_tells_an_operator(
    tablet, engineer, operator, cell, shift
):
    assert "Lines not taken" not in engineer.get(f"/cells/{cell.id}").text
    park(tablet, tablet.tap("good", cycles=0), tablet.tap("good", cycles=-1))
    page = engineer.get(f"/cells/{cell.id}").text
    assert f'<a href="/cells/{cell.id}/parked">Lines not taken (2)</a>' in page
    page = operator.get(f"/cells/{cell.id}").text
    assert "Lines not taken: 2. An engineer sees to them." in page
    assert f"/cells/{cell.id}/parked" not in page


def test_where_nothing_waits_the_page_says_so(engineer, cell):
    assert "Nothing waits here" in page_of(engineer, cell).text


def test_a_mended_line_is_written_in_under_its_own_id(
    tablet, engineer, cell, shift, *, session, people
):
    line = tablet.tap("good", cycles=0)
    (number,) = park(tablet, line)
    answer = write_in(
        engineer, cell, number, shift="early A", cycles="12", person=people.operator.id
    )
    assert answer.status_code == 302
    written = entry(session, line["client_id"])
    assert (written.cycles, written.cycle_number) == (12, None)
    assert (written.person_id, written.recorded_by_id) == (people.operator.id, people.engineer.id)
    assert (written.tablet_id, written.tablet_number) == (tablet.id, line["number"])
    assert (line_of(session, number).outcome, verify(session)) == ("written", [])
    page = page_of(engineer, cell).text
    assert "Nothing waits here" in page
    assert "written" in page
    again = tablet.send(line).get_json()["entries"][0]
    assert (again["status"], again["sequence"]) == ("repeated", written.sequence)


def test_a_line_of_a_shift_that_never_opened_moves_to_the_one_that_did(
    tablet, engineer, cell, shift, *, session, people
):
    line = tablet.tap("failed", shift="typo", modes=[cell.chips.id])
    (number,) = park(tablet, line)
    page = page_of(engineer, cell).text
    assert '<option value="early A">' in page
    write_in(
        engineer, cell, number,
        shift="early A", modes=[str(cell.chips.id), str(cell.slow.id)], person=people.operator.id,
    )  # fmt: skip
    written = entry(session, line["client_id"])
    assert written.shift_id == shift.id
    assert {mode.id for mode in written.modes} == {cell.chips.id, cell.slow.id}


def test_a_reading_that_was_misread_is_typed_again(
    tablet, engineer, cell, shift, *, session, people
):
    line = tablet.tap("good", counter=400)
    (number,) = park(tablet, line | {"counter": -400})
    write_in(engineer, cell, number, shift="early A", counter="507", person=people.operator.id)
    assert entry(session, line["client_id"]).cycles == 7


def test_a_closing_that_did_not_fit_is_mended(tablet, engineer, cell, shift, *, session, people):
    line = tablet.tap("close", counter=100)
    (number,) = park(tablet, line)
    write_in(engineer, cell, number, shift="early A", counter="500", person=people.operator.id)
    assert entry(session, line["client_id"]).counter == 500


def test_a_line_of_somebody_who_may_not_log_gets_who_saw_it(
    tablet, engineer, cell, shift, *, session, people
):
    tablet.person = people.approver
    line = tablet.tap("note", text="door open")
    (number,) = park(tablet, line)
    assert "Anna Approver" not in page_of(engineer, cell).text.split("Who saw it")[1]
    write_in(engineer, cell, number, shift="early A", text="door open", person="0")
    assert entry(session, line["client_id"]).person_id is None


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"cycles": "0"}, "at least 1"),
        ({"cycles": "1.5"}, "whole number"),
        ({"cycles": ""}, "be given"),
        ({"cycles": "3", "counter": "507"}, "be empty where the counter tells"),
        ({"cycles": "3", "shift": ""}, "be given"),
        ({"cycles": "3", "shift": "another"}, "opened shift"),
        ({"cycles": "3", "shift": "nul\x00"}, "must"),
        ({"cycles": "3", "person": "99"}, "Not a valid choice"),
    ],
)
def test_what_is_still_wrong_is_said_beside_its_field(
    tablet, engineer, cell, shift, *, session, people, fields, words
):
    line = tablet.tap("good", cycles=0)
    (number,) = park(tablet, line)
    whole = {"shift": "early A", "person": people.operator.id} | fields
    answer = write_in(engineer, cell, number, **whole)
    assert answer.status_code == 422
    assert words in answer.text
    assert entry(session, line["client_id"]) is None
    assert line_of(session, number).outcome is None


def test_an_undo_goes_where_the_line_went_that_it_takes_back(
    tablet, engineer, cell, shift, *, session, people
):
    failure = tablet.tap("failed", shift="typo", modes=[cell.chips.id])
    (number,) = park(tablet, failure)
    mode, person = str(cell.chips.id), people.operator.id
    write_in(engineer, cell, number, shift="early A", modes=mode, person=person)
    taken_back = tablet.tap("undo", shift="typo", target=failure["client_id"])
    (number,) = park(tablet, taken_back)
    assert write_in(engineer, cell, number, person=person).status_code == 302
    written = entry(session, taken_back["client_id"])
    assert written.shift.label == "early A"
    assert verify(session) == []


@pytest.mark.parametrize("time", ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z"])
def test_a_tablets_time_beyond_all_calendars_is_no_time(
    tablet, engineer, cell, shift, *, session, people, time
):
    line = tablet.tap("note", text="hm", tablet_time=time)
    (number,) = park(tablet, line)
    page = page_of(engineer, cell)
    assert "tablet_time must lie between 1900 and 2200" in page.text
    write_in(engineer, cell, number, shift="early A", text="hm", person=people.operator.id)
    assert entry(session, line["client_id"]).tablet_time is None


def test_a_line_for_a_closed_shift_is_refused_until_its_closing_is_undone(
    tablet, engineer, cell, shift, *, session, people
):
    line = tablet.tap("good", cycles=0)
    (number,) = park(tablet, line)
    write(session, cell, closing("early A", 500), now=datetime.now(UTC))
    answer = write_in(
        engineer, cell, number, shift="early A", cycles="1", person=people.operator.id
    )
    assert answer.status_code == 422
    assert "is closed" in answer.text


def test_a_line_is_left_out_with_a_reason_and_stays_in_the_records(
    tablet, engineer, cell, shift, *, session, people
):
    line = tablet.tap("good", cycles=0)
    (number,) = park(tablet, line)
    assert leave_out(engineer, cell, number).status_code == 302
    kept = line_of(session, number)
    assert (kept.outcome, kept.outcome_reason) == ("left out", "tapped twice")
    assert kept.settled_by_id == people.engineer.id
    assert kept.line == line
    assert "tapped twice" in page_of(engineer, cell).text


@pytest.mark.parametrize("reason", ["", "  ", "x" * 2001, "nul\x00"])
def test_a_line_is_left_out_for_a_reason_only(tablet, engineer, cell, shift, *, session, reason):
    (number,) = park(tablet, tablet.tap("good", cycles=0))
    assert leave_out(engineer, cell, number, reason).status_code == 422
    assert line_of(session, number).outcome is None


def test_what_was_seen_to_before_is_not_seen_to_again(
    tablet, engineer, cell, shift, *, session, people
):
    line = tablet.tap("good", cycles=0)
    first, _ = park(tablet, line, tablet.tap("good", cycles=0))
    leave_out(engineer, cell, first)
    answer = write_in(engineer, cell, first, shift="early A", cycles="2", person=people.operator.id)
    assert answer.status_code == 422
    assert "was left out before" in answer.text
    assert leave_out(engineer, cell, first).status_code == 422
    assert entry(session, line["client_id"]) is None


def test_a_line_that_nothing_can_mend_can_be_left_out(tablet, engineer, cell, shift, *, session):
    lines = [tablet.tap("dance"), tablet.tap(["x"]), tablet.tap("reading", counter=5)]
    for number in park(tablet, *lines):
        assert f"/parked/{number}/write-in" not in page_of(engineer, cell).text
        assert write_in(engineer, cell, number).status_code == 302
        assert line_of(session, number).outcome is None
        leave_out(engineer, cell, number)
    assert "Nothing waits here" in page_of(engineer, cell).text


@pytest.mark.parametrize(
    "fields",
    [
        {"text": "nul\x00"}, {"text": "\ud83d"}, {"shift": "\udc00"}, {"surprise": {"a": [1]}},
        {"nul\x00\ud83d": "x"}, {"modes": [None, 1]}, {"text": "<script>alert(1)</script>" * 200},
        {"time": "x", "tablet_time": "y"}, {"seen": -7}, {"person": None},
    ],
)  # fmt: skip
def test_whatever_a_line_holds_can_be_shown_and_mended(
    tablet, engineer, cell, shift, *, session, people, fields
):
    line = tablet.tap("note", **{"text": ""} | fields)
    (number,) = park(tablet, line)
    page = page_of(engineer, cell)
    assert page.status_code == 200
    assert "<script>alert" not in page.text
    write_in(engineer, cell, number, shift="early A", text="as meant", person=people.operator.id)
    assert entry(session, line["client_id"]).text == "as meant"


def test_lines_of_a_cell_are_that_cells_only(tablet, engineer, cell, shift, *, session, now):
    other = make_cell(session, now, "Lathe 5")
    session.commit()
    park(tablet, tablet.tap("good", cycles=0))
    assert "Nothing waits here" in page_of(engineer, other).text
    assert page_of(engineer, cell).text.count("Why it was not taken") == 1


@pytest.mark.parametrize("path", ["/cells/99/parked", "/parked/99/write-in"])
def test_what_is_not_there_is_not_found(engineer, cell, path):
    if path.endswith("parked"):
        assert engineer.get(path).status_code == 404
    else:
        answer = engineer.post(path, page="/tablets")
        assert answer.status_code == 404
