"""Lines in, how the shift stands out: the JSON side of logging."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import func, select
from support.cells import closing, make_cell, new_id, opening, write
from support.tablets import LABEL, Tablet, failed, good, line

from trialog.records.database import unit_of_work
from trialog.records.models import Entry, Shift
from trialog.records.verify import verify

MISLOADED = {"reason": "held askew", "cause": "handling by the operator"}
TOKEN = re.compile(r'name="csrf_token"[^>]*value="([^"]+)"')


def lines_in(session, kind):
    session.rollback()
    return session.scalar(select(func.count()).where(Entry.kind == kind))


def add_other_cell(session, now):
    with unit_of_work(session):
        return make_cell(session, now, "Lathe 5")


def test_a_good_cycle_is_taken_and_counted(tablet):
    answer = tablet.taken(tap := good())
    assert answer["entries"] == [
        {
            "client_id": tap["client_id"],
            "status": "added",
            "sequence": 2,
            "cycle_number": 1,
            "undo": "Undo: good cycle 1",
        }
    ]
    assert answer["state"]["logged"] == 1
    assert answer["state"]["expected_counter"] == 501


def test_a_failed_cycle_may_carry_several_modes(tablet, cell):
    answer = tablet.taken(good(), failed(cell.dropped, cell.chips))
    assert answer["entries"][1]["undo"] == "Undo: failed cycle 2, dropped part and chips left"
    assert (answer["state"]["logged"], answer["state"]["failed"]) == (2, 1)


def test_good_cycles_may_come_in_bulk(tablet):
    answer = tablet.taken(good(), good(12))
    assert answer["entries"][1]["undo"] == "Undo: 12 good cycles, 2 to 13"
    assert answer["state"]["last_number"] == 13


def test_a_line_sent_again_is_answered_alike_and_counted_once(tablet, session):
    first = tablet.taken(tap := good())
    again = tablet.taken(tap)
    assert again["entries"][0] == first["entries"][0] | {"status": "repeated"}
    assert again["state"]["logged"] == 1
    assert lines_in(session, "good") == 1


def test_a_line_is_counted_once_when_sent_many_times_at_the_same_moment(tablet, app, session):
    tap = good(person=None)
    cookies = tablet.visitor.client.get_cookie("trialog_session").value

    def send(_):
        client = app.test_client()
        client.set_cookie("trialog_session", cookies)
        return client.post(
            f"/api/cells/{tablet.cell.id}/entries",
            json={"entries": [tap]},
            headers={"X-CSRFToken": tablet.csrf},
        )

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(send, range(8)))
    assert {answer.status_code for answer in answers} == {200}
    statuses = [answer.get_json()["entries"][0]["status"] for answer in answers]
    assert sorted(statuses) == ["added"] + ["repeated"] * 7
    assert lines_in(session, "good") == 1


def test_an_id_that_stands_for_another_line_is_refused(tablet):
    tablet.taken(tap := good())
    error = tablet.refused(409, tap | {"cycles": 2})
    assert error["client_id"] == tap["client_id"]


def test_an_undo_takes_its_line_out_of_the_count(tablet, cell):
    tablet.taken(tap := failed(cell.chips))
    answer = tablet.taken(line("undo", target=tap["client_id"]))
    assert answer["entries"][0]["undo"] == "Undo: undo"
    assert (answer["state"]["logged"], answer["state"]["failed"]) == (0, 0)
    assert answer["state"]["recent"] == []


def test_the_last_lines_are_told_as_facts_newest_first(tablet, cell):
    answer = tablet.taken(
        good(), failed(cell.chips), line("stop", clear_seconds=125),
        line("note", text="coolant low"), line("condition", condition="tool change"),
    )  # fmt: skip
    told = ("kind", "cycles", "cycle_number", "modes", "clear_seconds", "condition", "text")
    assert [[recent[name] for name in told] for recent in answer["state"]["recent"]] == [
        ["condition", 0, None, [], None, "tool change", ""],
        ["note", 0, None, [], None, None, "coolant low"],
        ["stop", 0, None, [], 125, None, ""],
        ["failed", 1, 2, [cell.chips.id], None, None, ""],
        ["good", 1, 1, [], None, None, ""],
    ]


def test_the_expected_reading_restarts_where_the_counter_does(tablet):
    answer = tablet.taken(good(9_600))
    assert answer["state"]["expected_counter"] == 100


def test_without_an_opening_reading_none_is_expected(operator, session, cell, now):
    write(session, cell, opening(LABEL), now=now)
    answer = Tablet(operator, cell).taken(good())
    assert answer["state"]["expected_counter"] is None


def test_a_batch_with_a_bad_line_writes_nothing_and_names_the_line(tablet, session):
    bad = good(0)
    error = tablet.refused(422, good(), bad, good())
    assert error["client_id"] == bad["client_id"]
    assert error["field"] == "cycles"
    assert lines_in(session, "good") == 0


@pytest.mark.parametrize(
    ("change", "field", "rule"),
    [
        ({"colour": "red"}, "colour", "be left out"),
        ({"modes": [1]}, "modes", "be left out"),
        ({"cycles": "1"}, "cycles", "be a whole number"),
        ({"cycles": True}, "cycles", "be a whole number"),
        ({"cycles": 1.5}, "cycles", "be a whole number"),
        ({"cycles": None}, "cycles", "be given"),
        ({"cycles": 10**30}, "cycles", "be a whole number"),
        ({"cycles": 100_001}, "cycles", "be between"),
        ({"cycles": -1}, "cycles", "be between"),
        ({"kind": "perfect"}, "kind", "be one of"),
        ({"kind": None}, "kind", "be given"),
        ({"kind": ["good"]}, "kind", "be a text"),
        ({"shift": None}, "shift", "be given"),
        ({"shift": "no such shift"}, "shift", "be an opened shift"),
        ({"client_id": None}, "client_id", "be given"),
        ({"client_id": "with blanks"}, "client_id", "be 1 to 64"),
        ({"client_id": 7}, "client_id", "be a text"),
        ({"person": 999_999}, "person", "be"),
        ({"person": 2**40}, "person", "be the number"),
        ({"time": "yesterday"}, "time", "be a time"),
        ({"time": "2026-03-02T06:00:00"}, "time", "carry a time zone"),
        ({"time": "2999-01-01T00:00:00Z"}, "time", "not lie in the future"),
        ({"text": "x" * 2001}, "text", "be at most"),
        ({"text": "\x00"}, "text", "hold whole characters"),
        ({"text": "\ud800"}, "text", "hold whole characters"),
    ],
)
def test_a_bad_field_is_named_with_its_rule(tablet, session, change, field, rule):
    error = tablet.refused(422, good() | change)
    assert error["field"] == field
    assert rule in error["rule"]
    assert lines_in(session, "good") == 0


@pytest.mark.parametrize(
    "body", [[], {}, {"entries": []}, {"entries": {}}, {"entries": [good()], "more": 1}, "x", 3]
)
def test_a_request_of_another_form_is_refused(tablet, body):
    assert tablet.refused(422, body=body)["field"] in ("request", "entries")


@pytest.mark.parametrize("item", [None, 1, "good", []])
def test_a_line_of_another_form_is_refused(tablet, item):
    assert tablet.refused(422, body={"entries": [item]})["field"] == "line"


def test_more_lines_than_allowed_are_refused(tablet):
    assert tablet.refused(422, *[good() for _ in range(201)])["field"] == "entries"


@pytest.mark.parametrize("content", ["{", "[" * 100_000, "", "NaN"])
def test_what_is_not_json_is_refused(tablet, content):
    answer = tablet.visitor.client.post(
        f"/api/cells/{tablet.cell.id}/entries", data=content, content_type="application/json",
        headers={"X-CSRFToken": tablet.csrf},
    )  # fmt: skip
    assert answer.status_code == 422
    assert answer.get_json()["error"]["field"] == "request"


def test_a_request_that_is_too_large_is_refused(tablet):
    content = json.dumps({"entries": [good(text="x" * 600_000)]})
    answer = tablet.visitor.client.post(
        f"/api/cells/{tablet.cell.id}/entries", data=content, content_type="application/json",
        headers={"X-CSRFToken": tablet.csrf},
    )  # fmt: skip
    assert answer.status_code == 422
    assert "at most 512 kB" in answer.get_json()["error"]["message"]


def test_modes_of_another_cell_are_refused(tablet, session, now):
    other = add_other_cell(session, now)
    error = tablet.refused(422, tap := failed(other.chips))
    assert (error["field"], error["client_id"]) == ("failure mode", tap["client_id"])


def test_a_shift_of_another_cell_is_refused(operator, shift, session, now):
    other = add_other_cell(session, now)
    assert Tablet(operator, other).refused(422, good())["field"] == "shift"


def test_a_line_of_another_cell_cannot_be_undone(tablet, operator, session, now):
    tablet.taken(tap := good())
    other = add_other_cell(session, now)
    undo = {"client_id": new_id(), "kind": "undo", "target": tap["client_id"]}
    assert Tablet(operator, other).refused(422, undo)["field"] == "target"


def test_a_request_without_the_pages_token_is_refused(tablet, session):
    answer = tablet.visitor.client.post(
        f"/api/cells/{tablet.cell.id}/entries", json={"entries": [good()]}
    )
    assert answer.status_code == 400
    assert answer.get_json()["error"]["field"] == "csrf_token"
    assert lines_in(session, "good") == 0


def test_a_stranger_may_not_log_and_may_not_look(stranger, people, cell, shift):
    token = TOKEN.search(stranger.get("/login").text)[1]
    answer = stranger.client.post(
        f"/api/cells/{cell.id}/entries", json={"entries": [good()]},
        headers={"X-CSRFToken": token},
    )  # fmt: skip
    assert answer.status_code == 401
    assert stranger.get(f"/api/shifts/{shift.id}/state").status_code == 401


def test_an_approver_may_look_and_not_log(approver, cell, shift):
    assert approver.get(f"/api/shifts/{shift.id}/state").status_code == 200
    assert Tablet(approver, cell).send(good()).status_code == 403


def test_an_operator_may_not_rule_read_or_revise(tablet, session, cell):
    tablet.taken(tap := failed(cell.chips))
    ruling = line("ruling", target=tap["client_id"], relevant=False, **MISLOADED)
    reading = line("reading", reading="opening", counter=1)
    revision = {
        "client_id": new_id(), "kind": "revision", "device": cell.jet.id,
        "text": "wider nozzle", "resets_evidence": True,
    }  # fmt: skip
    for bad in (ruling, reading, revision):
        assert tablet.refused(403, bad)["client_id"] == bad["client_id"]
    assert lines_in(session, "ruling") == 0


def test_an_engineer_may_rule_and_take_it_back(engineers_tablet, cell):
    tap = failed(cell.chips)
    ruling = line("ruling", target=tap["client_id"], relevant=False, **MISLOADED)
    engineers_tablet.taken(tap, ruling)
    answer = engineers_tablet.taken(line("undo", target=ruling["client_id"]))
    assert answer["entries"][0]["status"] == "added"


def test_an_operator_may_not_take_back_an_engineers_ruling(tablet, engineers_tablet, cell):
    tap = failed(cell.chips)
    ruling = line("ruling", target=tap["client_id"], relevant=False, **MISLOADED)
    engineers_tablet.taken(tap, ruling)
    assert tablet.refused(403, line("undo", target=ruling["client_id"]))


def test_an_operator_closes_a_shift_and_cannot_open_it_again(tablet, session):
    tablet.taken(good(), close := line("close", counter=501))
    session.rollback()
    assert session.scalars(select(Shift)).one().closed_at is not None
    assert tablet.refused(403, line("undo", target=close["client_id"]))


def test_an_engineer_opens_a_closed_shift_again(tablet, engineers_tablet, session):
    tablet.taken(good(), close := line("close", counter=501))
    answer = engineers_tablet.taken(line("undo", target=close["client_id"]))
    assert answer["state"]["open"] is True
    assert tablet.taken(good())["state"]["logged"] == 2


def test_a_closed_shift_takes_no_more_cycles_from_anybody(tablet, engineers_tablet):
    tablet.taken(line("close", counter=500))
    for one in (tablet, engineers_tablet):
        error = one.refused(409, tap := good())
        assert error["client_id"] == tap["client_id"]
        assert "is closed" in error["message"]


def test_a_tap_whose_answer_got_lost_is_confirmed_though_the_shift_closed_since(tablet):
    tablet.taken(tap := good(), close := line("close", counter=501))
    answer = tablet.taken(tap, close)
    assert [taken["status"] for taken in answer["entries"]] == ["repeated", "repeated"]
    assert answer["state"]["open"] is False


def test_a_shift_cannot_close_with_more_logged_than_counted_unless_it_is_accepted(tablet):
    tablet.taken(good(5))
    error = tablet.refused(422, line("close", counter=503))
    assert error["field"] == "closing counter"
    answer = tablet.taken(
        line("close", counter=503, mismatch_accepted=True, reason="two cycles without a part")
    )
    assert answer["state"]["open"] is False


def test_two_tablets_see_the_same_count(tablet, engineers_tablet, cell, shift):
    tablet.taken(good())
    assert engineers_tablet.taken(failed(cell.chips))["state"]["logged"] == 2
    state = tablet.visitor.get(f"/api/shifts/{shift.id}/state").get_json()["state"]
    assert (state["logged"], state["failed"], state["last_number"]) == (2, 1, 2)


def test_two_tablets_undo_the_same_line_and_the_second_is_told(tablet, engineers_tablet):
    tablet.taken(tap := good())
    tablet.taken(line("undo", target=tap["client_id"]))
    error = engineers_tablet.refused(409, line("undo", target=tap["client_id"]))
    assert "already undone" in error["message"]


def test_a_line_says_who_saw_it_and_who_entered_it(tablet, people, session):
    tablet.taken(good(person=people.engineer.id), good())
    operator, engineer = people.operator.id, people.engineer.id
    session.rollback()
    entries = session.scalars(select(Entry).where(Entry.kind == "good").order_by(Entry.sequence))
    assert [(entry.person_id, entry.recorded_by_id) for entry in entries] == [
        (engineer, operator),
        (operator, operator),
    ]


def test_a_script_in_a_note_is_kept_as_it_is_and_answered_as_data(tablet):
    answer = tablet.send(line("note", text="<script>alert(1)</script>"))
    assert answer.mimetype == "application/json"
    assert "<script>" in answer.get_json()["entries"][0]["undo"]


def test_an_unknown_cell_or_shift_is_not_there(tablet, operator):
    gone = operator.client.post(
        "/api/cells/999/entries", json={"entries": [good()]}, headers={"X-CSRFToken": tablet.csrf}
    )
    assert gone.status_code == 404
    assert operator.get("/api/shifts/999/state").status_code == 404


def test_the_records_hold_together_after_all_of_this(tablet, session, cell):
    tap = failed(cell.chips, cell.missed)
    tablet.taken(good(), tap, good(3), line("undo", target=tap["client_id"]))
    write(session, cell, closing(LABEL, 504), now=session.scalars(select(Shift)).one().opened_at)
    assert verify(session) == []
