"""Lines that a client sends: each with an answer of its own, written once, by somebody's rights."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import select
from support.cells import new_id
from support.clients import Program, assert_problem

from trialog.records.models import AuditEvent, Entry
from trialog.records.verify import verify
from trialog.records.words import EntryKind, Scope
from trialog.web.api.batches import LARGEST_BATCH, MOST_LINES, NewLine
from trialog.web.logging.parsing import COMMON, OWN


def line(kind="good", **fields):
    return {"client_id": new_id(), "kind": kind, "shift": "A"} | fields


def opening(shift="A", **fields):
    return line("open", shift=shift, stage="by hand", **fields)


class Sender(Program):
    """A client that sends lines for one cell."""

    def __init__(self, app, session, person, cell, *scopes, name="relay box"):
        super().__init__(app, session, person, *scopes, name=name)
        self.path = f"/cells/{cell.id}/entries"

    def send(self, *lines, **options):
        return self.post(self.path, {"entries": list(lines)}, **options)


@pytest.fixture
def sender(app, session, people, cell):
    return Sender(app, session, people.engineer, cell)


@pytest.fixture
def sender_as(app, session, people, cell):
    """Return the maker of senders by the role of who answers for them."""
    return lambda role: Sender(app, session, getattr(people, role), cell)


def statuses(answer):
    assert answer.status_code == 200, answer.text
    return [one["status"] for one in answer.json["entries"]]


def stored(session):
    session.rollback()
    return session.scalars(select(Entry).order_by(Entry.sequence)).all()


def test_what_can_be_written_is_and_each_line_hears_what_became_of_it(
    sender, session, cell, people
):
    lines = [
        opening(), line(cycles=3), line(cycles=0), line("failed", modes=[cell.dropped.id]),
        line("failed", modes=[999]), {"kind": "good"}, {"client_id": 5}, line("stop", shift="B"),
        line("nonsense"), line("count", counter=3), line(cycles=1, number=1),
    ]  # fmt: skip
    answer = sender.send(*lines)
    assert statuses(answer) == ["added", "added", "rejected", "added", *["rejected"] * 7]
    told = answer.json["entries"]
    assert [one["client_id"] for one in told[:5]] == [one["client_id"] for one in lines[:5]]
    assert [one["client_id"] for one in told[5:7]] == [None, None]
    assert [one["sequence"] for one in told if one["status"] == "added"] == [1, 2, 3]
    assert told[3]["cycle_number"] == 4
    faults = [one["problem"]["errors"][0]["field"] for one in told if one["problem"]]
    assert faults[0] == "cycles"
    assert {one["problem"]["status"] for one in told if one["problem"]} == {422}
    entries = stored(session)
    assert answer.json["logbook"] == {"cell": cell.id, "length": 3, "head": entries[-1].hash}
    assert {entry.recorded_by_id for entry in entries} == {people.engineer.id}
    assert {entry.person_id for entry in entries} == {None}  # nobody wrote down who saw it
    assert verify(session) == []


def test_sending_again_changes_nothing_and_other_content_is_a_conflict(sender, session):
    lines = [opening(), line(cycles=2)]
    assert statuses(sender.send(*lines)) == ["added", "added"]
    assert statuses(sender.send(*lines)) == ["repeated", "repeated"]
    other = sender.send(lines[1] | {"cycles": 3}).json["entries"][0]
    assert (other["status"], other["problem"]["title"]) == ("rejected", "Conflict")
    assert len(stored(session)) == 2


def test_two_that_send_the_same_at_once_write_it_once(app, sender, session):
    sender.send(opening())
    lines = [line(cycles=1) for _ in range(20)]

    def send(_):
        return statuses(sender.send(*lines))

    with ThreadPoolExecutor(2) as both:
        answers = list(both.map(send, range(2)))
    assert sorted(answers) == [["added"] * 20, ["repeated"] * 20]
    assert len(stored(session)) == 21


def test_an_id_that_stands_twice_counts_once(sender, session):
    one = line("note", text="first")
    answer = sender.send(opening(), one, one | {"text": "second"})
    assert statuses(answer) == ["added", "added", "rejected"]
    assert (
        "client_id must stand once in a request" in answer.json["entries"][2]["problem"]["detail"]
    )
    assert [entry.text for entry in stored(session)] == ["", "first"]


def test_a_second_shift_is_not_opened_and_the_rest_is_written(sender, session):
    first = line(cycles=1)
    answer = sender.send(opening(), first, opening("B"), line(cycles=1), line(shift="B", cycles=1))
    assert statuses(answer) == ["added", "added", "rejected", "added", "rejected"]
    assert answer.json["entries"][2]["problem"]["title"] == "Conflict"
    swapped = sender.send(line("close"), opening("B"), line(shift="B", cycles=1))
    assert statuses(swapped) == ["added", "added", "added"]
    assert len(stored(session)) == 6
    assert verify(session) == []


@pytest.mark.parametrize(
    ("role", "expected"),
    [("operator", ["added", "added", "rejected"]), ("engineer", ["added", "added", "added"])],
)
def test_a_client_may_write_what_its_person_may(sender_as, cell, role, expected):
    sender = sender_as(role)
    changed = {"client_id": new_id(), "kind": "revision", "device": cell.arm.id,
               "text": "new spring", "resets_evidence": True}  # fmt: skip
    answer = sender.send(opening(), line(cycles=1), changed)
    assert statuses(answer) == expected
    refused = [one["problem"] for one in answer.json["entries"] if one["problem"]]
    assert [(one["status"], one["title"]) for one in refused] == [(403, "Not allowed")] * len(
        refused
    )


def test_the_audit_tells_which_client_it_came_through(sender, session, cell, people):
    sender.send(opening(), line(cycles=1))
    sender.send(line(cycles=-1))
    session.rollback()
    events = session.scalars(select(AuditEvent).where(AuditEvent.action == "sent")).all()
    (event,) = events
    assert (event.subject, event.subject_id) == ("logbook", cell.id)
    assert event.person_id == people.engineer.id
    assert event.details == {
        "client": "relay box", "token": sender.row.hint, "first": 1, "last": 2,
    }  # fmt: skip


def test_a_client_for_another_cell_writes_nothing(app, session, people, cell, now):
    from support.cells import make_cell  # noqa: PLC0415

    other = make_cell(session, now, "Mill 2")
    session.commit()
    program = Program(app, session, people.engineer, cell=other.cell)
    path = f"/cells/{cell.id}"
    for answer in (
        program.post(f"{path}/entries", {"entries": [opening()]}), program.get(path),
        program.get(f"{path}/logbook"), program.get(f"/trials?cell={cell.id}"),
        program.get("/fleet/report"),
    ):  # fmt: skip
        assert_problem(
            answer,
            403,
            "Not allowed",
            "for another cell" if "fleet" not in answer.request.path else "for one cell",
        )
    assert [one["name"] for one in program.get("/cells").json["items"]] == ["Mill 2"]
    assert stored(session) == []


def test_on_a_condition_nothing_is_written_if_somebody_wrote_meanwhile(sender, session, cell):
    path = f"/cells/{cell.id}/logbook"
    tag = sender.get(path).headers["ETag"]
    assert statuses(sender.send(opening(), headers={"If-Match": tag})) == ["added"]
    late = sender.send(line(cycles=1), headers={"If-Match": tag})
    assert_problem(late, 412, "Changed meanwhile", "Nothing was written")
    fresh = sender.get(path).headers["ETag"]
    for good in (f'"x", {fresh}', "*"):
        assert statuses(sender.send(line(cycles=1), headers={"If-Match": good})) == ["added"]
        fresh = sender.get(path).headers["ETag"]
    assert len(stored(session)) == 3


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "entries"), ({"entries": []}, "entries"), ({"entries": {}}, "entries"),
        ({"entries": [1]}, "entries.0"), ({"entries": [{}], "x": 1}, "x"), ([], "request"),
        ({"entries": [{}] * (MOST_LINES + 1)}, "entries"),
    ],
)  # fmt: skip
def test_a_body_of_another_form_is_refused_as_a_whole(sender, body, field):
    told = assert_problem(sender.post(sender.path, body), 422, "Invalid value")
    assert [one["field"] for one in told["errors"]] == [field]
    assert all(one["rule"] for one in told["errors"])


def test_what_is_no_json_too_large_or_compressed_is_refused(sender):
    def post(data, **headers):
        return sender.open("POST", sender.path, data=data, headers={
            "Content-Type": "application/json", **headers})  # fmt: skip

    for data in ("", "{", "[" * 100_000, b"\xff", '{"entries": [NaN}', '{"entries": ["\ud83d"]}'):
        if isinstance(data, str):
            data = data.encode("utf-8", "surrogatepass")  # noqa: PLW2901
        assert_problem(post(data), 400, "Malformed request")
    assert_problem(post("x", **{"Content-Type": "text/plain"}), 415, "Unsupported media type")
    zipped = post(b"\x1f\x8b", **{"Content-Encoding": "gzip"})
    assert_problem(zipped, 415, "Unsupported media type", "must not be compressed")
    assert_problem(post(b" " * (LARGEST_BATCH + 1)), 413, "Too large")


def test_without_the_scope_nothing_is_written(app, session, people, cell):
    reader = Sender(app, session, people.engineer, cell, Scope.READ, Scope.COUNT)
    assert_problem(reader.send(opening()), 403, "Not allowed", "lacks the scope 'log'")
    assert stored(session) == []


def test_the_documents_fields_of_a_line_are_those_that_are_read():
    read = set(COMMON).union(*OWN.values())
    assert set(NewLine.model_fields) == read
    assert set(OWN) | {EntryKind.COUNT} == set(EntryKind)
