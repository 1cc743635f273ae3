"""Opening a shift, and finding the open one."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select
from support.cells import closing, log_shift, opening, write

from trialog.records.models import Entry, Shift
from trialog.records.words import EntryKind, Stage
from trialog.web.logging.opening import next_label


def fill(**fields):
    return {"label": "late B", "stage": "by hand", "counter": "", "lot": ""} | fields


def open_one(visitor, cell, **fields):
    """Load the form and send it as a browser would, with its hidden fields."""
    page = visitor.get(f"/cells/{cell.id}/log").text
    hidden = re.search(r'name="client_id"[^>]*value="([^"]+)"', page)[1]
    return visitor.post(f"/cells/{cell.id}/log", fill(client_id=hidden, **fields))


def fresh(session):
    """Let a session see what the server has written since."""
    session.rollback()
    return session


def test_the_form_proposes_the_shops_date_and_the_next_free_letter(operator, cell):
    page = operator.get(f"/cells/{cell.id}/log").text
    assert f'value="{datetime.now(UTC):%Y-%m-%d} A"' in page


def test_the_next_label_follows_the_shops_clock(session, cell):
    late = datetime(2026, 3, 2, 23, 30, tzinfo=UTC)
    zone = ZoneInfo("Europe/Berlin")
    assert next_label(session, cell.cell, now=late, zone=zone) == "2026-03-03 A"


def test_labels_that_are_taken_are_passed_over_and_numbers_follow_letters(session, cell, now):
    for mark in ("A", "B", "D"):
        log_shift(session, cell, f"2026-03-02 {mark}", now=now, good=1)
    assert next_label(session, cell.cell, now=now, zone=UTC) == "2026-03-02 C"
    for mark in "CEFGHIJKLMNOPQRSTUVWXYZ":
        log_shift(session, cell, f"2026-03-02 {mark}", now=now)
    assert next_label(session, cell.cell, now=now, zone=UTC) == "2026-03-02 27"


def test_a_shift_opens_with_its_reading_and_leads_to_the_tablet_page(operator, cell, session):
    answer = open_one(operator, cell, counter="48000")
    shift = fresh(session).scalars(select(Shift)).one()
    assert answer.location == f"/shifts/{shift.id}/log"
    assert (shift.label, shift.opening_counter, shift.stage) == ("late B", 48_000, Stage.BY_HAND)


def test_a_shift_may_open_without_a_reading_and_the_page_says_what_that_costs(
    operator, cell, session
):
    assert "without readings a GO is impossible" in operator.get(f"/cells/{cell.id}/log").text
    open_one(operator, cell)
    assert fresh(session).scalars(select(Shift)).one().opening_counter is None


def test_conditions_at_the_start_are_marked(operator, cell, session):
    open_one(operator, cell, cold_start="y", lot="coil 7")
    marked = fresh(session).scalars(
        select(Entry).where(Entry.kind == EntryKind.CONDITION).order_by(Entry.sequence)
    )
    assert [(str(entry.condition), entry.text) for entry in marked] == [
        ("cold start", ""),
        ("new material lot", "coil 7"),
    ]


def test_the_same_form_sent_twice_opens_one_shift(operator, cell, session):
    page = operator.get(f"/cells/{cell.id}/log").text
    hidden = re.search(r'name="client_id"[^>]*value="([^"]+)"', page)[1]
    token = operator.token()
    data = fill(client_id=hidden, csrf_token=token)
    answers = [operator.client.post(f"/cells/{cell.id}/log", data=data) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [302, 302]
    assert answers[0].location == answers[1].location
    assert len(fresh(session).scalars(select(Shift)).all()) == 1


def test_where_a_shift_is_open_the_way_leads_to_it(operator, cell, shift):
    assert operator.get(f"/cells/{cell.id}/log").location == f"/shifts/{shift.id}/log"


def test_a_closed_shifts_tablet_page_leads_to_its_report(operator, cell, shift, session, now):
    write(session, cell, closing(shift.label, 500), now=datetime.now(UTC))
    assert operator.get(f"/shifts/{shift.id}/log").location == f"/shifts/{shift.id}"


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"label": " "}, "Must be given"),
        ({"label": "x" * 121}, "at most 120"),
        ({"counter": "many"}, "whole number"),
        ({"counter": "-1"}, "whole number"),
        ({"counter": "1" * 14}, "at most"),
        ({"stage": "on the moon"}, "Not a valid choice"),
        ({"lot": "x" * 121}, "at most 120"),
    ],
)
def test_a_bad_value_is_shown_beside_its_field_and_opens_nothing(
    operator, cell, session, fields, words
):
    answer = open_one(operator, cell, **fields)
    assert answer.status_code == 422
    assert words in answer.text
    assert fresh(session).scalars(select(Shift)).all() == []


def test_a_label_that_was_used_is_refused_beside_its_field(operator, cell, session, now):
    log_shift(session, cell, "late B", now=now)
    answer = open_one(operator, cell)
    assert answer.status_code == 422
    assert "opened before" in answer.text


def test_the_form_tells_the_last_closing_reading(operator, cell, session, now):
    log_shift(session, cell, "early A", now=now, good=20, counters=(100, 120))
    assert "closed at 120" in operator.get(f"/cells/{cell.id}/log").text


def test_markup_in_a_label_stays_text(operator, cell, session):
    open_one(operator, cell, label="<img src=x onerror=alert(1)>")
    shift = fresh(session).scalars(select(Shift)).one()
    page = operator.get(f"/shifts/{shift.id}/log").text
    assert "<img src=x" not in page
    assert "&lt;img src=x" in page


@pytest.mark.parametrize("role", ["approver", "stranger"])
def test_who_may_not_log_gets_no_form(request, cell, shift, role):
    visitor = request.getfixturevalue(role)
    for path in (f"/cells/{cell.id}/log", f"/shifts/{shift.id}/log"):
        answer = visitor.get(path)
        assert answer.status_code == (403 if role == "approver" else 302)


def test_handing_over_signs_out_and_leads_back_to_the_shift(operator, shift):
    answer = operator.post(f"/shifts/{shift.id}/hand-over", page=f"/shifts/{shift.id}/log")
    assert answer.location.endswith(f"/login?next=/shifts/{shift.id}/log")
    assert operator.get(f"/shifts/{shift.id}/log").status_code == 302


def test_only_one_shift_of_a_cell_is_open_at_a_time(operator, cell, session, now):
    page = operator.get(f"/cells/{cell.id}/log").text
    hidden = re.search(r'name="client_id"[^>]*value="([^"]+)"', page)[1]
    token = operator.token()
    write(session, cell, opening("early A"), now=now)
    answer = operator.client.post(
        f"/cells/{cell.id}/log", data=fill(client_id=hidden, csrf_token=token)
    )
    assert answer.status_code == 302
    assert len(fresh(session).scalars(select(Shift)).all()) == 1
