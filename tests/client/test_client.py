"""The Python client against the application itself, without a network in between."""

from __future__ import annotations

from datetime import UTC, datetime

import httpx
import pytest
from support.cells import log_shift, new_id
from support.clients import Program

from trialog.client import (
    ChangedMeanwhileError,
    Client,
    InvalidRequestError,
    NotFoundError,
    RefusedError,
    ServerError,
    TokenError,
    TooManyRequestsError,
    UnreachableError,
    calls,
)
from trialog.client.calls import MOST_LINES
from trialog.records.words import Scope

# What a request does to the records is tested on both databases with the API itself.
pytestmark = pytest.mark.database("sqlite")

URL = "http://shop.test:8765"


class Bumpy(httpx.BaseTransport):
    """A way to the server on which the first requests meet with something."""

    def __init__(self, app, *bumps):
        self.way, self.bumps, self.seen = httpx.WSGITransport(app=app), list(bumps), []

    def handle_request(self, request):
        self.seen.append(request)
        bump = self.bumps.pop(0) if self.bumps else None
        if isinstance(bump, Exception):
            raise bump
        if bump == "lost":  # the server does it, and its answer gets lost
            self.way.handle_request(request).read()
            raise httpx.ReadTimeout("timed out")
        return self.way.handle_request(request) if bump is None else bump


@pytest.fixture
def connect(app, session, people):
    """Return the function that makes a client; `waits` are what it waited between tries."""
    program = Program(app, session, people.engineer)
    made = []

    def make(*bumps, token=program.token):
        way, waits = Bumpy(app, *bumps), []
        client = Client(URL, token, transport=way, sleep=waits.append)
        client.way, client.waits = way, waits
        made.append(client)
        return client

    yield make
    for client in made:
        client.close()


def line(kind="good", **fields):
    return {"client_id": new_id(), "kind": kind, "shift": "A"} | fields


def test_everything_is_read_as_it_stands(connect, cell, people, session, now):
    log_shift(session, cell, "A", good=3, failed=[cell.dropped], counters=(0, 4), now=now)
    client = connect()
    assert client.whoami().name == "relay box"
    (found,) = client.cells()
    assert found == client.cell(cell.id)
    assert [device.name for device in found.devices] == [one.name for one in cell.cell.devices]
    assert found.created_at == now
    assert list(client.cells(name="nowhere")) == []
    (shift,) = client.shifts(cell.id)
    assert (shift.label, shift.closing_counter, shift.closed_at.tzinfo) == ("A", 4, UTC)
    assert client.shift(shift.id) == shift
    entries = list(client.entries(cell.id))
    assert [entry.kind for entry in entries] == ["open", "failed", "good", "close"]
    assert entries[1].modes == (cell.dropped.id,)
    newest = client.entries(cell.id, newest_first=True)
    assert [entry.sequence for entry in newest] == [4, 3, 2, 1]
    assert {person.name for person in client.people()} >= {people.engineer.name}
    assert client.requirements(cell.id) == []
    assert list(client.trials()) == []


def test_lines_go_in_and_sending_them_again_changes_nothing(connect, cell):
    client = connect()
    lines = [line("open", stage="by hand"), line(cycles=2), line("good", cycles=-1)]
    first, again = client.add_entries(cell.id, lines), client.add_entries(cell.id, lines)
    assert [one.status for one in first] == ["added", "added", "rejected"]
    assert [one.status for one in again] == ["repeated", "repeated", "rejected"]
    assert [one.sequence for one in first] == [1, 2, None]
    (wrong,) = first[2].problem.errors
    assert (wrong.field, wrong.value) == ("cycles", "-1")
    assert client.logbook(cell.id).length == 2


def test_more_than_one_request_takes_goes_in_several(connect, cell):
    client = connect()
    client.add_entries(cell.id, [line("open", stage="by hand")])
    taken = client.add_entries(cell.id, (line("note", text="n") for _ in range(MOST_LINES + 1)))
    assert {one.status for one in taken} == {"added"}
    assert [one.sequence for one in taken] == list(range(2, MOST_LINES + 3))
    assert len(client.way.seen) == 3
    assert sum(1 for _ in client.entries(cell.id)) == MOST_LINES + 2


def test_lines_that_are_too_long_together_go_in_several(connect, cell, monkeypatch):
    client = connect()
    monkeypatch.setattr(calls, "LARGEST_BODY", 5_000)
    lines = [line("open", stage="by hand"), *(line("note", text="€" * 200) for _ in range(9))]
    taken = client.add_entries(cell.id, lines)
    assert [one.sequence for one in taken] == list(range(1, 11))
    assert len(client.way.seen) == 4
    client.add_entries(cell.id, [line("note", text="x" * 8_000)])
    assert len(client.way.seen) == 5


def test_lines_go_in_only_if_nobody_else_wrote(connect, cell):
    client = connect()
    before = client.logbook(cell.id)
    client.add_entries(cell.id, [line("open", stage="by hand")], if_match=before.entity_tag)
    with pytest.raises(ChangedMeanwhileError) as caught:
        client.add_entries(cell.id, [line()], if_match=before.entity_tag)
    assert caught.value.problem.title == "Changed meanwhile"
    assert client.logbook(cell.id).length == 1


@pytest.mark.parametrize(
    ("bump", "waited"),
    [
        (httpx.ConnectError("refused"), (0.25, 0.5)),
        (httpx.Response(503), (0.25, 0.5)),
        (httpx.Response(429, headers={"Retry-After": "7"}), (7, 7)),
        (httpx.Response(503, headers={"Retry-After": "99999"}), (60, 60)),
        (httpx.Response(503, headers={"Retry-After": "Thu, 01 Jan 1970 00:00:00 GMT"}), (0, 0)),
        (httpx.Response(502, headers={"Retry-After": "soon"}), (0.25, 0.5)),
        ("lost", (0.25, 0.5)),
    ],
)
def test_what_may_succeed_later_is_sent_again(connect, cell, bump, waited):
    client = connect(bump)
    (taken,) = client.add_entries(cell.id, [line("open", stage="by hand")])
    assert taken.status == ("repeated" if bump == "lost" else "added")
    assert client.logbook(cell.id).length == 1
    (wait,) = client.waits
    assert waited[0] <= wait <= waited[1]


def test_a_machine_is_counted_once_however_often_it_is_sent(connect, cell):
    first = connect("lost").count_part(cell.id, "p-1", state="ACTIVE")
    assert (first.counter, first.event, first.repeated) == (1, None, True)
    when = datetime.now(UTC)
    total = connect().count_total(cell.id, 12, "t-1", at=when)
    assert (total.counter, total.sequence, total.repeated) == (12, first.sequence + 1, False)
    line = list(connect().entries(cell.id, kind="count"))[-1]
    assert (line.counter, line.time) == (12, when)
    with pytest.raises(InvalidRequestError):
        connect().count_total(cell.id, -1, "t-2")


def test_waits_grow_and_end(connect):
    client = connect(*[httpx.ConnectError("refused") for _ in range(5)])
    with pytest.raises(UnreachableError, match=r"server must be one that answers \(refused\)"):
        client.whoami()
    assert len(client.waits) == 4
    assert [0.5 * 2**n / 2 <= wait <= 0.5 * 2**n for n, wait in enumerate(client.waits)] == [
        True
    ] * 4
    busy = connect(*[httpx.Response(503) for _ in range(5)])
    with pytest.raises(ServerError):
        busy.whoami()


def test_a_write_on_a_condition_is_not_sent_twice(connect, cell):
    client = connect("lost")
    with pytest.raises(UnreachableError):
        client.add_entries(cell.id, [line("open", stage="by hand")], if_match='"0-"')
    assert client.waits == []
    assert client.logbook(cell.id).length == 1


def test_each_refusal_is_an_error_of_its_own_class(connect, cell, session, people, app):
    with pytest.raises(TokenError, match="not known, has expired or was revoked"):
        connect(token="x").whoami()
    reader = Program(app, session, people.engineer, Scope.READ, name="reader")
    with pytest.raises(RefusedError, match="lacks the scope 'log'"):
        connect(token=reader.token).add_entries(cell.id, [line()])
    client = connect()
    with pytest.raises(NotFoundError):
        client.cell(99)
    with pytest.raises(InvalidRequestError) as caught:
        list(client.entries(cell.id, kind="x"))
    assert [one.field for one in caught.value.problem.errors] == ["kind"]
    with pytest.raises(InvalidRequestError):
        client.add_entries(cell.id, [line()] * (MOST_LINES + 1), if_match="*")
    limited = connect(*[httpx.Response(429) for _ in range(5)])
    with pytest.raises(TooManyRequestsError):
        limited.whoami()


def test_an_answer_of_somebody_else_is_told_from_the_servers(connect):
    page = httpx.Response(500, text="<html>a proxy's page</html>")
    with pytest.raises(ServerError, match="The answer is not trialog's"):
        connect(page).whoami()


def test_the_token_shows_neither_in_errors_nor_in_what_is_logged(connect, caplog):
    caplog.set_level("DEBUG")
    client = connect(token="trialog_secret")
    with pytest.raises(TokenError) as caught:
        client.whoami()
    assert "trialog_secret" not in str(caught.value) + repr(vars(caught.value)) + caplog.text


def test_keys_that_a_newer_server_adds_are_let_be(connect):
    told = {
        "id": 1, "name": "x", "responsible": {"id": 1, "name": "y", "new": 1}, "cell": None,
        "token": "h", "scopes": [], "expires_at": "2027-01-01T00:00:00Z", "newer": {},
    }  # fmt: skip
    assert connect(httpx.Response(200, json=told)).whoami().expires_at == datetime(
        2027, 1, 1, tzinfo=UTC
    )
