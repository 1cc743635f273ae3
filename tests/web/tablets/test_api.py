"""The tablets' JSON side: let in by a code, known by a key, signed in by PIN, packed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from support.cells import count, log_shift, make_cell, write
from support.enrolled import Enrolled

from trialog.records.database import unit_of_work
from trialog.records.machine_now import LATELY
from trialog.records.models import EnrolmentCode, Tablet
from trialog.records.people import change_person
from trialog.records.pins import TRIES
from trialog.records.tablets import make_code
from trialog.records.words import Role

ERROR = {"message", "field", "rule", "value"}
FOR_TABLETS = (
    ("GET", "/api/tablet/pack"), ("POST", "/api/tablet/sign-in"),
)  # fmt: skip


def new_code(session, people, cell=None, name="blue tablet", age=timedelta(0)):
    with unit_of_work(session):
        return make_code(
            session, name=name, cell=cell, actor=people.engineer, now=datetime.now(UTC) - age
        )


def enrol(app, code, **options):
    body = {"json": {"code": code}} | options
    return app.test_client(use_cookies=False).post("/api/tablet/enrol", **body)


def refused(answer, status, field):
    assert answer.status_code == status, answer.text
    error = answer.get_json()["error"]
    assert set(error) == ERROR
    assert error["field"] == field
    assert answer.headers["Cache-Control"] == "no-store"
    return error["message"]


# Enrolling


def test_a_code_is_answered_with_a_key_that_opens_the_api(app, session, people, cell):
    answer = enrol(app, new_code(session, people, cell.cell).lower())
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-store"
    made = answer.get_json()
    assert set(made) == {"key", "tablet", "cell", "now"}
    assert made["tablet"]["name"] == "blue tablet"
    assert made["cell"] == cell.id
    assert abs(datetime.fromisoformat(made["now"]) - datetime.now(UTC)) < timedelta(minutes=1)
    headers = {"Authorization": f"Bearer {made['key']}"}
    assert app.test_client().get("/api/tablet/pack", headers=headers).status_code == 200


def test_a_tablet_of_no_cell_in_particular_is_told_so(app, session, people):
    assert enrol(app, new_code(session, people)).get_json()["cell"] is None


def test_a_used_an_old_and_a_guessed_code_are_refused_alike(app, session, people):
    used = new_code(session, people)
    assert enrol(app, used).status_code == 200
    old = new_code(session, people, name="green tablet", age=timedelta(minutes=15))
    words = {refused(enrol(app, code), 422, "code").split(", got")[0] for code in (used, old, "x")}
    assert words == {"code must be one made in the last 15 minutes and not used yet"}


@pytest.mark.parametrize(
    "body",
    [{}, {"code": None}, {"code": 12345678}, {"code": 1.5}, {"code": ["7K3M9QPT"]}, [], "7K3M9QPT",
     {"code": {"code": "x"}}, {"code": True}, {"code": "nul\x00\x00\x00\x00\x00"},
     {"code": "\ud83d" * 8}],
)  # fmt: skip
def test_whatever_is_no_code_is_refused_in_words(app, people, body):
    refused(enrol(app, None, json=body), 422, "code")


@pytest.mark.parametrize(
    "options",
    [
        {"data": b"code=7K3M9QPT"},
        {"data": b"{", "content_type": "application/json"},
        {"data": b'{"code": NaN}', "content_type": "application/json"},
        {"data": b'{"code": 1e999}', "content_type": "application/json"},
        {"data": b"[" * 3000, "content_type": "application/json"},
        {"data": b"\xff\xfe", "content_type": "application/json"},
        {"data": b'{"code": "' + b"7" * 5000 + b'"}', "content_type": "application/json"},
    ],
)
def test_a_request_in_another_form_is_refused_in_words(app, people, options):
    refused(enrol(app, None, **{"json": None} | options), 422, "request")


def test_codes_cannot_be_guessed_fast(app, people):
    statuses = [enrol(app, "7K3M9QPT").status_code for _ in range(11)]
    assert statuses == [422] * 10 + [429]
    assert refused(enrol(app, "7K3M9QPT"), 429, None)


def test_a_code_stays_out_of_the_log(app, session, people, caplog):
    caplog.set_level(0)
    code = new_code(session, people)
    enrol(app, code)
    enrol(app, code)
    assert code not in caplog.text
    assert session.scalars(select(EnrolmentCode)).one().code_hash not in caplog.text


# The key


@pytest.mark.parametrize(("method", "path"), FOR_TABLETS)
@pytest.mark.parametrize(
    "header",
    [None, "Bearer", "Bearer ", "Bearer x", "Bearer \xe9\xff", "Basic eDp5", "x" * 9000,
     "Bearer ' OR 1=1 --", "Bearer a b=c"],
)  # fmt: skip
def test_without_a_key_nothing_is_told(app, tablet, method, path, header):
    headers = {} if header is None else {"Authorization": header}
    answer = app.test_client().open(path, method=method, headers=headers, json={})
    assert "not enrolled" in refused(answer, 401, None)


@pytest.mark.parametrize(("method", "path"), FOR_TABLETS)
def test_a_revoked_tablet_is_told_that_an_engineer_can_help(tablet, method, path):
    tablet.revoke()
    assert "new code" in refused(tablet.open(method, path, json={}), 401, None)


@pytest.mark.parametrize(("method", "path"), FOR_TABLETS)
def test_a_signed_in_persons_cookie_opens_nothing_to_tablets(admin, method, path):
    headers = {"X-CSRFToken": admin.token()}
    answer = admin.client.open(path, method=method, headers=headers, json={})
    refused(answer, 401, None)


def test_a_key_opens_no_page(tablet, cell):
    for path in ("/", f"/cells/{cell.id}", "/people", "/tablets"):
        answer = tablet.open("GET", path, headers={"Accept": "application/json"})
        assert answer.status_code == 401, path


# Signing in


def test_the_right_pin_signs_in(tablet, people):
    answer = tablet.sign_in(people.operator.id, "1111")
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-store"
    person = answer.get_json()["person"]
    assert (person["id"], person["name"], person["role"]) == (
        people.operator.id, "Olga Operator", "operator",
    )  # fmt: skip
    assert person in tablet.pack().get_json()["people"]


def test_a_wrong_pin_and_somebody_unknown_are_refused_alike(tablet, people):
    answers = [tablet.sign_in(people.operator.id, "0000"), tablet.sign_in(99, "1111")]
    assert {refused(answer, 403, "pin") for answer in answers} == {"pin must be this person's"}
    assert "0000" not in answers[0].text


@pytest.mark.parametrize("pin", ["", "nul\x00", "\ud83d", "1" * 2000])
def test_a_pin_that_can_be_none_is_a_wrong_one(tablet, people, pin):
    refused(tablet.sign_in(people.operator.id, pin), 403, "pin")


@pytest.mark.parametrize("number", [0, -1, 2**31, 2**63, 10**40])
def test_a_person_that_can_be_none_is_unknown(tablet, people, number):
    refused(tablet.sign_in(number, "1111"), 403, "pin")


@pytest.mark.parametrize("person", [None, 1.0, "1", True, [1], {"id": 1}])
def test_a_person_is_named_by_number(tablet, people, person):
    refused(tablet.sign_in(person, "1111"), 422, "person")


@pytest.mark.parametrize("pin", [None, 1111, 1111.0, ["1111"]])
def test_a_pin_is_a_text_and_never_sent_back(tablet, people, pin):
    answer = tablet.sign_in(people.operator.id, pin)
    assert refused(answer, 422, "pin") == "pin must be a text, got None"
    assert answer.get_json()["error"]["value"] is None


def test_wrong_pins_lock_the_person_on_that_tablet_alone(app, session, *, tablet, people, stranger):
    wrong = [tablet.sign_in(people.operator.id, "0000") for _ in range(TRIES)]
    assert "locked" not in refused(wrong[0], 403, "pin")
    assert "on this tablet, where this name is locked until" in refused(wrong[-1], 403, "pin")
    right = tablet.sign_in(people.operator.id, people.pin(people.operator))
    assert "is locked until" in refused(right, 403, "pin")
    until = datetime.fromisoformat(right.get_json()["wait_until"])
    assert timedelta(minutes=4) < until - datetime.now(UTC) <= timedelta(minutes=5)
    assert "wait_until" not in wrong[0].get_json()
    form = {"name": people.operator.name, "pin": "1111", "next": ""}
    assert stranger.post("/login", form).location == "/"
    other = Enrolled(app, session, people.engineer, name="green tablet")
    assert other.sign_in(people.operator.id, "1111").status_code == 200
    assert tablet.sign_in(people.engineer.id, people.pin(people.engineer)).status_code == 200


def test_wrong_pins_from_elsewhere_lock_nobody_out_of_a_tablet(tablet, people, stranger):
    form = {"name": people.operator.name, "pin": "0000", "next": ""}
    said = [stranger.post("/login", form).text for _ in range(TRIES)]
    assert "no PIN is looked at until" in said[-1]
    assert tablet.sign_in(people.operator.id, "1111").status_code == 200


def test_who_may_not_log_cannot_sign_in_at_a_tablet(tablet, people):
    answers = [
        tablet.sign_in(people.approver.id, pin) for pin in (people.pin(people.approver), "0")
    ]
    assert "may not log cycles" in refused(answers[0], 403, None)
    assert answers[0].json == answers[1].json  # nobody learns here whether a PIN is right


def test_pins_cannot_be_tried_fast(tablet, people):
    statuses = [tablet.sign_in(98, "1111").status_code for _ in range(31)]
    assert statuses == [403] * 30 + [429]


# The pack


def test_the_pack_holds_what_logging_needs_without_a_network(tablet, people, cell, shift):
    before = datetime.now(UTC)
    answer = tablet.pack(cell.id)
    after = datetime.now(UTC)
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-store"
    pack = answer.get_json()
    assert set(pack) == {"now", "version", "tablet", "zone", "cells", "people", "cell"}
    assert pack["tablet"] == {
        "id": tablet.id, "name": "blue tablet", "clock_ahead_seconds": None,
    }  # fmt: skip
    assert (pack["zone"], pack["cells"]) == ("UTC", [{"id": cell.id, "name": "Lathe 4"}])
    own = pack["cell"]
    assert set(own) == {
        "id", "name", "machine", "part", "modulus", "cycle_seconds", "devices", "stage", "labels",
        "next_label", "last_counter", "machine_count", "state", "parked",
    }  # fmt: skip
    assert (own["modulus"], own["cycle_seconds"], own["stage"]) == (10_000, 45.0, "by hand")
    assert own["devices"][0] == {
        "id": cell.arm.id,
        "name": "arm",
        "modes": [
            {"id": cell.dropped.id, "name": "dropped part", "effect": "stops the cell"},
            {"id": cell.slow.id, "name": "slow return", "effect": "nuisance"},
        ],
    }
    assert (own["labels"], own["parked"], own["last_counter"]) == (["early A"], 0, None)
    # It may become midnight meanwhile.
    assert own["next_label"] in {f"{moment:%Y-%m-%d} A" for moment in (before, after)}
    assert own["machine_count"] is None


def test_the_pack_tells_what_the_machine_itself_counts(tablet, session, cell):
    moment = datetime.now(UTC) - timedelta(minutes=1)
    write(session, cell, count(5_412, occurred_at=moment), now=moment)
    told = tablet.pack(cell.id).get_json()["cell"]["machine_count"]
    until = moment + LATELY
    assert told == {"counter": 5_412, "at": moment.isoformat(), "until": until.isoformat()}


def test_the_pack_tells_how_the_open_shift_stands(tablet, cell, shift):
    state = tablet.pack(cell.id).get_json()["cell"]["state"]
    assert state == {
        "shift_id": shift.id, "label": "early A", "stage": "by hand", "open": True, "sequence": 1,
        "logged": 0, "failed": 0, "last_number": 0, "opening_counter": 500,
        "expected_counter": 500, "checked": 0, "recent": [],
    }  # fmt: skip


def test_the_pack_names_those_who_may_log_and_a_mark_that_changes_with_their_rights(
    tablet, people, session
):
    before = {one["id"]: one for one in tablet.pack().get_json()["people"]}
    assert [one["name"] for one in before.values()] == [
        "Adam Admin", "Emil Engineer", "Olga Operator",
    ]  # fmt: skip
    by = {"actor": None, "now": datetime.now(UTC)}
    with unit_of_work(session):
        change_person(session, people.operator, role=Role.OPERATOR, active=True, pin="7391", **by)
        change_person(session, people.engineer, role=Role.ENGINEER, active=False, pin=None, **by)
    after = {one["id"]: one for one in tablet.pack().get_json()["people"]}
    assert set(after) == {people.admin.id, people.operator.id}
    assert after[people.admin.id] == before[people.admin.id]
    assert after[people.operator.id]["stamp"] != before[people.operator.id]["stamp"]


def test_after_a_closed_shift_the_pack_tells_where_the_next_one_begins(
    tablet, cell, session, people
):
    moment = datetime.now(UTC)
    log_shift(session, cell, "late B", now=moment, good=5, counters=(100, 105))
    log_shift(session, cell, "old", now=moment - timedelta(days=9), good=5, counters=(10, 15))
    own = tablet.pack(cell.id).get_json()["cell"]
    assert own["state"] is None
    assert (own["last_counter"], own["labels"]) == (105, ["late B"])


def test_without_a_cell_named_the_pack_is_about_the_tablets_own(tablet, loose_tablet, cell):
    assert tablet.pack().get_json()["cell"]["id"] == cell.id
    assert loose_tablet.pack().get_json()["cell"] is None


def test_a_tablet_may_move_to_another_cell(tablet, session, now):
    with unit_of_work(session):
        other = make_cell(session, now, "Lathe 5").id
    assert tablet.pack(other).get_json()["cell"]["name"] == "Lathe 5"


@pytest.mark.parametrize("number", ["0", "99", "-1", "1.0", "x", "1 ", "٣", str(2**31), "9" * 400])
def test_a_cell_that_is_none_is_refused(tablet, number):
    refused(tablet.pack(number), 422, "cell")


def test_the_pack_holds_nothing_secret(tablet, people):
    text = tablet.pack().text
    assert tablet.key not in text
    assert "argon2" not in text
    assert all(person.pin_hash not in text for person in vars(people).values())


def test_fetching_the_pack_shows_when_a_tablet_was_last_here(tablet, session):
    long_ago = datetime.now(UTC) - timedelta(hours=3)
    with unit_of_work(session):
        session.get_one(Tablet, tablet.id).seen_at = long_ago
    tablet.pack()
    assert datetime.now(UTC) - tablet.row.seen_at < timedelta(minutes=1)
