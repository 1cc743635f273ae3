"""Lines from a tablet: each on its own, taken or parked, answered alike however often they come."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from support.cells import closing, make_cell, write
from support.enrolled import Enrolled

from trialog.records.database import unit_of_work
from trialog.records.models import AuditEvent, Entry
from trialog.records.parking import parked_lines
from trialog.records.verify import verify

ODD = ("nul\x00", "\ud83d", "\udc00x", "🙂", "x" * 100_000, "' OR 1=1 --", "\r\n\x1b[2J")


def taken(tablet, *lines, **options):
    answer = tablet.send(*lines, **options)
    assert answer.status_code == 200, answer.text
    assert answer.headers["Cache-Control"] == "no-store"
    return answer.get_json()


def statuses(answer):
    return [line["status"] for line in answer["entries"]]


def parked(tablet, line, **options):
    """Send one line that must be parked, and return the reason."""
    (told,) = taken(tablet, line, **options)["entries"]
    assert (told["status"], told["sequence"], told["cycle_number"]) == ("parked", None, None)
    assert set(told["reason"]) == {"message", "field", "rule", "value"}
    return told["reason"]


def refused(answer, field, status=422):
    assert answer.status_code == status, answer.text
    assert answer.get_json()["error"]["field"] == field


def waiting(session):
    session.rollback()
    return parked_lines(session)


def faults(session):
    session.rollback()
    return verify(session)


def stored(session):
    session.rollback()
    return session.scalars(select(Entry).order_by(Entry.sequence)).all()


# What is taken


def test_a_good_cycle_is_taken_and_counted(tablet, shift, session, people):
    answer = taken(tablet, tap := tablet.tap("good", cycles=1))
    assert set(answer) == {"now", "entries", "state", "tablet"}
    assert answer["entries"] == [
        {"client_id": tap["client_id"], "status": "added", "sequence": 2, "cycle_number": 1,
         "reason": None}
    ]  # fmt: skip
    assert (answer["state"]["logged"], answer["state"]["expected_counter"]) == (1, 501)
    entry = stored(session)[-1]
    assert (entry.tablet_id, entry.tablet_number) == (tablet.id, 1)
    assert (entry.person_id, entry.recorded_by_id) == (people.operator.id,) * 2


def test_a_whole_shift_is_opened_logged_and_closed_from_a_tablet(tablet, cell, session):
    photo = b"\xff\xd8\xff a part on the floor"
    name = hashlib.sha256(photo).hexdigest()
    assert tablet.open("PUT", f"/api/tablet/photos/{name}", data=photo).status_code == 200
    lines = [
        tablet.tap("open", stage="by hand", counter=100),
        tablet.tap("condition", condition="cold start"),
        tablet.tap("good", cycles=3),
        miss := tablet.tap("failed", modes=[cell.chips.id, cell.dropped.id]),
        tablet.tap("stop", clear_seconds=40),
        tablet.tap("note", text="chips under the jaw"),
        tablet.tap("photo", target=miss["client_id"], photo=name),
        tablet.tap("check", cycles=2),
        tablet.tap("good", counter=106),
        tablet.tap("close", counter=106),
    ]
    answer = taken(tablet, *lines)
    assert statuses(answer) == ["added"] * 10
    state = answer["state"]
    assert (state["open"], state["logged"], state["failed"], state["checked"]) == (False, 6, 1, 2)
    assert faults(session) == []


def test_the_state_tells_the_last_lines_as_facts(tablet, cell, shift, people):
    answer = taken(
        tablet,
        tablet.tap("good", cycles=5),
        tap := tablet.tap("failed", modes=[cell.chips.id]),
        tablet.tap("stop", clear_seconds=40),
        tablet.tap("condition", condition="tool change", text="T4"),
    )
    recent = answer["state"]["recent"]
    assert [line["kind"] for line in recent] == ["condition", "stop", "failed", "good"]
    assert recent[2] | {"client_id": tap["client_id"]} == recent[2]
    assert (recent[2]["cycle_number"], recent[2]["modes"]) == (6, [cell.chips.id])
    assert recent[1]["clear_seconds"] == 40
    assert (recent[0]["condition"], recent[0]["text"]) == ("tool change", "T4")
    assert recent[3]["person"] == {"id": people.operator.id, "name": "Olga Operator"}
    assert set(recent[0]) >= {
        "client_id", "kind", "cycles", "cycle_number", "modes", "clear_seconds", "condition",
        "text", "counter", "person",
    }  # fmt: skip


def test_a_line_sent_again_is_answered_alike_and_counted_once(tablet, shift, session):
    batch = tablet.batch(tablet.tap("good", cycles=1), tablet.tap("good", cycles=4))
    first, again = taken(tablet, json=batch), taken(tablet, json=batch)
    assert statuses(again) == ["repeated", "repeated"]
    places = [[(line["sequence"], line["cycle_number"]) for line in answer["entries"]]
              for answer in (first, again)]  # fmt: skip
    assert places[0] == places[1]
    assert again["state"]["logged"] == 5


def test_a_batch_sent_many_times_at_once_is_counted_once(tablet, shift, session):
    batch = tablet.batch(*(tablet.tap("good", cycles=1) for _ in range(5)))
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: tablet.send(json=batch), range(6)))
    assert {answer.status_code for answer in answers} == {200}
    told = sorted(set(statuses(answer.get_json())).pop() for answer in answers)
    assert told == ["added"] + ["repeated"] * 5
    assert len(stored(session)) == 6


def test_two_tablets_log_into_one_shift(tablet, red_tablet, session, shift):
    other = red_tablet
    batches = [one.batch(one.tap("good", cycles=1)) for _ in range(8) for one in (tablet, other)]

    def log(number):
        one = (tablet, other)[number]
        return [taken(one, json=batch) for batch in batches[number::2]]

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(log, range(2)))
    last = taken(tablet, tablet.tap("note", text="both"))
    assert last["state"]["logged"] == 16
    assert faults(session) == []


def test_after_the_shift_is_closed_the_state_is_that_of_the_shift_named(
    tablet, cell, shift, session
):
    write(session, cell, closing("early A", 500), now=datetime.now(UTC))
    answer = taken(tablet, tablet.tap("good", cycles=1))
    assert (answer["state"]["label"], answer["state"]["open"]) == ("early A", False)


def test_what_a_newer_page_says_beside_the_known_stops_nothing(tablet, shift):
    batch = tablet.batch(tablet.tap("good", cycles=1), battery=0.2)
    assert statuses(taken(tablet, json=batch)) == ["added"]


def test_a_page_that_does_not_say_its_version_is_taken_from_too(tablet, shift):
    batch = tablet.batch(tablet.tap("good", cycles=1), page=None)
    assert statuses(taken(tablet, json=batch)) == ["added"]


@pytest.mark.parametrize("unsaid", ["seen", "time", "tablet_time", "waited"])
def test_an_older_pages_line_without_one_of_its_facts_is_taken(tablet, shift, session, unsaid):
    line = tablet.tap("good", cycles=1)
    line.pop(unsaid, None)
    assert statuses(taken(tablet, line)) == ["added"]
    assert statuses(taken(tablet, line)) == ["repeated"]
    assert [entry.cycles for entry in stored(session)] == [None, 1]


# What is parked


def test_a_wrong_line_is_parked_and_the_others_go_on(tablet, cell, shift, session):
    lines = [
        tablet.tap("good", cycles=1),
        tablet.tap("good", cycles=-3),
        tablet.tap("failed", modes=[9999]),
        tablet.tap("dance"),
        tablet.tap("good", cycles=2),
    ]
    answer = taken(tablet, *lines)
    assert statuses(answer) == ["added", "parked", "parked", "parked", "added"]
    assert [line["reason"] and line["reason"]["field"] for line in answer["entries"]] == [
        None, "cycles", "failure mode", "kind", None,
    ]  # fmt: skip
    assert answer["state"]["logged"] == 3
    assert [one.line for one in waiting(session)] == lines[1:4]
    assert tablet.pack(cell.id).get_json()["cell"]["parked"] == 3


def test_a_parked_line_sent_again_stays_parked_once(tablet, shift, session):
    line = tablet.tap("good", cycles=0)
    reasons = [parked(tablet, line)["message"] for _ in range(3)]
    assert len(set(reasons)) == 1
    assert len(waiting(session)) == 1


@pytest.mark.parametrize("kind", ["ruling", "reading", "revision"])
def test_what_is_to_be_thought_over_does_not_come_from_a_tablet(tablet, cell, shift, kind):
    own = {
        "ruling": {"target": "x", "relevant": True},
        "reading": {"reading": "opening", "counter": 1},
        "revision": {"device": cell.arm.id, "resets_evidence": False, "text": "x", "shift": None},
    }
    assert "may not write" in parked(tablet, tablet.tap(kind, **own[kind]))["message"]


@pytest.mark.parametrize(
    "fields",
    [
        {"number": None}, {"number": 0}, {"number": -1}, {"number": 1.0}, {"number": "1"},
        {"number": 2**60}, {"person": None}, {"person": 99}, {"person": 1.0}, {"person": "1"},
        {"cycles": 1.0}, {"cycles": True}, {"cycles": 10**9}, {"cycle_number": 1.5},
        {"shift": None}, {"shift": ""}, {"shift": "another"}, {"shift": 7}, {"shift": ["early A"]},
        {"time": "yesterday"}, {"time": 17}, {"tablet_time": "x"},
        {"tablet_time": "2026-03-02T06:00:00"}, {"seen": -1}, {"seen": "3"}, {"placed": 1},
        {"mismatch_accepted": True}, {"surprise": 1}, {"kind": None}, {"kind": 5}, {"kind": []},
        {"time": "2026-03-02T06:00:00"}, {"time": "0001-01-01T00:00:00+00:00"},
    ],
)  # fmt: skip
def test_a_field_that_breaks_its_rule_parks_its_line_only(tablet, shift, fields):
    answer = taken(
        tablet, tablet.tap("good", **{"cycles": 1} | fields), tablet.tap("good", cycles=1)
    )
    assert statuses(answer) == ["parked", "added"]


@pytest.mark.parametrize(
    "time", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "1970-01-01T00:00:00Z"]
)
def test_a_tablets_time_from_the_ends_of_the_calendar_stops_nothing(tablet, shift, time):
    answer = taken(
        tablet, tablet.tap("good", cycles=1, tablet_time=time), tablet.tap("good", cycles=1)
    )
    assert statuses(answer)[1] == "added"
    later = tablet.tap("good", cycles=1, time=time)
    assert taken(tablet, later, tablet.tap("good", cycles=1))["entries"][1]["status"] == "added"


@pytest.mark.parametrize("text", ODD)
@pytest.mark.parametrize("field", ["text", "shift", "reason", "kind", "target", "photo", "x"])
def test_odd_signs_anywhere_in_a_line_stop_nothing(tablet, shift, session, text, field):
    odd = tablet.tap("note", **{"text": "as usual"} | {field: text})
    answer = taken(tablet, odd, tablet.tap("good", cycles=1))
    assert statuses(answer)[1] == "added"
    if statuses(answer)[0] == "parked":
        (one,) = waiting(session)
        assert one.line == json.loads(json.dumps(odd))


@pytest.mark.parametrize("value", [{"deep": {"er": [1]}}, [[1]], {}, [None], {"nul\x00": "\ud83d"}])
def test_a_value_of_another_shape_parks_its_line(tablet, shift, session, value):
    parked(tablet, tablet.tap("good", cycles=value))
    parked(tablet, tablet.tap("note", text="x") | {"nul\x00": value})
    assert len(waiting(session)) == 2


def test_another_cells_failure_mode_shift_and_lines_are_out_of_reach(
    tablet, cell, shift, session, now
):
    with unit_of_work(session):
        other = make_cell(session, now, "Lathe 5")
    taken(tablet, tap := tablet.tap("failed", modes=[cell.chips.id]))
    elsewhere = {"json": tablet.batch(tablet.tap("failed", modes=[cell.chips.id]), cell=other.id)}
    (told,) = taken(tablet, **elsewhere)["entries"]
    assert told["status"] == "parked"
    undo = tablet.tap("undo", target=tap["client_id"], shift=None)
    (told,) = taken(tablet, json=tablet.batch(undo, cell=other.id))["entries"]
    assert told["reason"]["field"] == "target"
    (told,) = taken(tablet, json=tablet.batch(tap, cell=other.id))["entries"]
    assert told["status"] == "parked"
    assert faults(session) == []


def test_an_approver_does_not_log(tablet, people, shift):
    tablet.person = people.approver
    assert "may not log cycles" in parked(tablet, tablet.tap("good", cycles=1))["message"]


def test_no_tablet_undoes_a_closing_whoever_its_line_names(tablet, people, shift):
    taken(tablet, close := tablet.tap("close", counter=500))
    undo = {"target": close["client_id"], "shift": None}
    assert "may not correct" in parked(tablet, tablet.tap("undo", **undo))["message"]
    tablet.person = people.engineer
    assert "signed in to trialog" in parked(tablet, tablet.tap("undo", **undo))["message"]


def test_a_parked_line_is_taken_back_by_an_undo(tablet, shift, session):
    line = tablet.tap("good", cycles=0)
    parked(tablet, line)
    undo = tablet.tap("undo", target=line["client_id"])
    assert statuses(taken(tablet, undo)) == ["added"]
    assert statuses(taken(tablet, undo)) == ["repeated"]
    assert waiting(session) == []


def test_nobody_unknown_no_approver_and_no_other_cell_takes_a_parked_line_back(
    tablet, people, shift, *, session, now
):
    with unit_of_work(session):
        other = make_cell(session, now, "Lathe 5").id
    line = tablet.tap("good", cycles=0)
    parked(tablet, line)
    undo = {"target": line["client_id"], "shift": None}
    elsewhere = tablet.batch(tablet.tap("undo", **undo), cell=other)
    assert statuses(taken(tablet, json=elsewhere)) == ["parked"]
    parked(tablet, tablet.tap("undo", **undo, person=None))
    parked(tablet, tablet.tap("undo", **undo, person=people.approver.id))
    assert line in [one.line for one in waiting(session)]


def test_what_waits_on_a_revoked_tablet_goes_out_once_it_is_enrolled_again(
    tablet, app, people, cell, *, session, shift
):
    arrived, waits = tablet.tap("good", cycles=1), tablet.tap("good", cycles=2)
    taken(tablet, arrived)
    tablet.revoke()
    again = Enrolled(app, session, people.engineer, cell=cell.cell)
    assert again.name == "blue tablet (2)"
    answer = taken(again, arrived, waits)
    assert statuses(answer) == ["repeated", "added"]
    assert answer["state"]["logged"] == 3
    assert faults(session) == []


# What is refused as a whole


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ([], "request"), ("x", "request"), (7, "request"),
        ({}, "cell"), ({"cell": None}, "cell"), ({"cell": 1.0}, "cell"), ({"cell": "1"}, "cell"),
        ({"cell": True}, "cell"), ({"cell": 0}, "cell"), ({"cell": 99}, "cell"),
        ({"cell": 2**31}, "cell"), ({"cell": -(2**70)}, "cell"),
        ({"clock": None}, "clock"), ({"clock": 5}, "clock"), ({"clock": "now"}, "clock"),
        ({"clock": "2026-03-02T06:00:00"}, "clock"), ({"clock": "nul\x00"}, "clock"),
        ({"page": 5}, "page"), ({"page": "nul\x00"}, "page"), ({"page": "x" * 200}, "page"),
        ({"entries": None}, "entries"), ({"entries": []}, "entries"), ({"entries": {}}, "entries"),
        ({"entries": [None]}, "client_id"), ({"entries": ["x"]}, "client_id"),
        ({"entries": [{}]}, "client_id"), ({"entries": [{"client_id": 5}]}, "client_id"),
        ({"entries": [{"client_id": "a b"}]}, "client_id"),
        ({"entries": [{"client_id": "x" * 65}]}, "client_id"),
        ({"entries": [{"client_id": "nul\x00"}]}, "client_id"),
        ({"entries": [{"client_id": "a"}, {"client_id": "a"}]}, "entries"),
        ({"entries": [{"client_id": str(number)} for number in range(201)]}, "entries"),
    ],
)  # fmt: skip
def test_a_request_in_another_form_is_refused_as_a_whole(tablet, shift, session, body, field):
    whole = tablet.batch(tablet.tap("good", cycles=1))
    sent = whole | body if isinstance(body, dict) and body else body
    refused(tablet.send(json=sent), field)
    assert len(stored(session)) == 1
    assert waiting(session) == []


@pytest.mark.parametrize(
    "data",
    [b"", b"{", b"null", b"\xff", b"[" * 5000, b'{"cell": NaN}', b'{"cell": 1e999}',
     b'{"cell": ' + b"9" * 5000 + b"}", b'{"entries": [[[[[[[[[1]]]]]]]]]}', b"x=1"],
)  # fmt: skip
def test_what_is_no_json_is_refused(tablet, shift, data):
    refused(tablet.send(data=data, content_type="application/json"), "request")


def test_json_under_another_name_is_refused(tablet, shift):
    data = json.dumps(tablet.batch(tablet.tap("good", cycles=1)))
    refused(tablet.send(data=data, content_type="text/plain"), "request")


def test_a_batch_may_have_five_hundred_kilobytes_and_no_more(tablet, shift, session):
    line = tablet.tap("note", text="x" * 2000)
    batch = json.dumps(tablet.batch(line)).encode()
    padded = batch + b" " * (512 * 1024 - len(batch))
    assert tablet.send(data=padded, content_type="application/json").status_code == 200
    refused(tablet.send(data=padded + b" ", content_type="application/json"), "request")


def test_two_hundred_lines_with_long_notes_fit(tablet, shift):
    lines = [tablet.tap("note", text="x" * 2000) for _ in range(200)]
    assert set(statuses(taken(tablet, *lines))) == {"added"}


def test_a_tablet_that_is_revoked_writes_nothing_more(tablet, shift, session):
    tablet.revoke()
    refused(tablet.send(tablet.tap("good", cycles=1)), None, 401)
    assert len(stored(session)) == 1
    assert waiting(session) == []


def test_a_tablet_revoked_while_its_lines_are_on_their_way_writes_nothing(
    tablet, shift, session, monkeypatch
):
    from trialog.web.logging import tablet_api  # noqa: PLC0415

    reading = tablet_api.read_batch

    def read_slowly(*args):
        tablet.revoke()
        return reading(*args)

    monkeypatch.setattr(tablet_api, "read_batch", read_slowly)
    refused(tablet.send(tablet.tap("good", cycles=1)), None, 401)
    assert len(stored(session)) == 1


# The clock


def test_each_batch_measures_the_tablets_clock(tablet, shift):
    tablet.ahead = timedelta(minutes=2)
    told = taken(tablet, tablet.tap("good", cycles=1))["tablet"]["clock_ahead_seconds"]
    assert told == pytest.approx(120, abs=5)
    assert tablet.row.page_version == "1a2b"
    assert tablet.row.clock_moved_at is None


def test_a_clock_that_jumps_is_noted(tablet, shift, session):
    for ahead in (0, 7200):
        tablet.ahead = timedelta(seconds=ahead)
        taken(tablet, tablet.tap("good", cycles=1))
    assert tablet.row.clock_moved_at is not None
    moved = session.scalars(select(AuditEvent).where(AuditEvent.action == "clock moved")).all()
    assert len(moved) == 1


def test_a_clock_that_is_off_moves_no_line(tablet, shift, session):
    tablet.ahead = timedelta(days=-400)
    line = tablet.tap("good", cycles=1)
    taken(tablet, line)
    entry = stored(session)[-1]
    assert abs(entry.occurred_at - datetime.now(UTC)) < timedelta(minutes=1)
    assert entry.tablet_time == datetime.fromisoformat(line["tablet_time"])
