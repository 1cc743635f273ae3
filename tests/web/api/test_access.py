"""Tokens at the door: what each answer says, what it keeps to itself, and how often one may ask."""

from __future__ import annotations

import logging
from datetime import timedelta

import pytest
from sqlalchemy.exc import OperationalError
from support.clients import Program, assert_problem

from trialog.records.clients import revoke_token
from trialog.records.database import unit_of_work
from trialog.records.models import Person
from trialog.records.words import Scope
from trialog.web.api import access
from trialog.web.api.access import BAD_TOKENS_PER_MINUTE
from trialog.web.database import state

INVALID = 'Bearer realm="trialog", error="invalid_token"'


@pytest.fixture
def program(app, session, people):
    return Program(app, session, people.engineer)


def test_a_good_token_says_who_it_is(program, people):
    told = program.get("/client").json
    assert told.pop("expires_at")
    assert told.pop("token") == program.row.hint
    assert told == {
        "id": program.id, "name": "relay box", "cell": None,
        "responsible": {"id": people.engineer.id, "name": "Emil Engineer"},
        "scopes": ["read", "log", "count", "metrics"],
    }  # fmt: skip


def test_a_client_for_one_cell_says_so(app, session, people, cell):
    told = Program(app, session, people.engineer, Scope.READ, cell=cell.cell).get("/client").json
    assert told["cell"] == {"id": cell.id, "name": cell.cell.name}


def test_tokens_that_are_worth_nothing_are_told_apart_by_nothing(program, session, people):
    expired = program.issue(Scope.READ, now=program.now - timedelta(days=366))
    revoked = program.issue(Scope.READ)
    with unit_of_work(session):
        revoke_token(session, program.row, actor=None, now=program.now)
    people.operator.active = False
    leaver = program.issue(Scope.READ)
    answers = [program.get("/client", token=text) for text in (expired, revoked, "x", leaver[:-1])]
    session.get_one(Person, people.engineer.id).active = False
    session.commit()
    answers.append(program.get("/client", token=leaver))
    for answer in answers:
        assert_problem(answer, 401, "No valid token", "not known, has expired or was revoked")
        assert answer.headers["WWW-Authenticate"] == INVALID
    assert len({answer.text for answer in answers}) == 1


@pytest.mark.parametrize("given", [None, "", "Bearer", "Bearer ", "Basic eDp5", "Token x"])
def test_without_a_token_the_answer_says_how_to_send_one(program, given):
    headers = {} if given is None else {"Authorization": given}
    answer = program.http.get("/api/v1/client", headers=headers)
    assert_problem(answer, 401, "No valid token", "Authorization: Bearer TOKEN")
    assert answer.headers["WWW-Authenticate"] == 'Bearer realm="trialog"'


def test_a_token_without_the_scope_is_told_which_one_it_lacks(program):
    answer = program.get("/client", token=program.issue(Scope.COUNT))
    assert_problem(answer, 403, "Not allowed", "the token lacks the scope 'read'")
    challenge = 'Bearer realm="trialog", error="insufficient_scope", scope="read"'
    assert answer.headers["WWW-Authenticate"] == challenge


def test_each_token_may_ask_so_often_a_minute(program, app):
    state(app).settings.__dict__["api_limit"] = 3
    other = program.issue(Scope.READ)
    assert [program.get("/client").status_code for _ in range(4)] == [200, 200, 200, 429]
    told = program.get("/client")
    assert_problem(told, 429, "Too many requests", "More than 3 requests within a minute")
    assert 1 <= int(told.headers["Retry-After"]) <= 60
    assert program.get("/client", token=other).status_code == 200


def test_an_address_may_show_few_worthless_tokens_and_good_ones_still_get_in(program):
    tried = [program.get("/client", token=f"x{n}") for n in range(BAD_TOKENS_PER_MINUTE + 1)]
    assert {answer.status_code for answer in tried[:-1]} == {401}
    assert_problem(tried[-1], 429, "Too many requests")
    assert program.get("/client").status_code == 200


def test_use_is_noted_and_a_database_that_cannot_note_it_stops_nobody(program, monkeypatch, caplog):
    assert program.row.last_used_at is None
    program.get("/client")
    assert program.row.last_used_at is not None
    fresh = program.issue(Scope.READ)

    def fails(*_args, **_options):
        raise OperationalError("UPDATE", {}, Exception("read only"))

    monkeypatch.setattr(access, "note_used", fails)
    assert program.get("/client", token=fresh).status_code == 200
    assert "could not note that token" in caplog.text


def test_no_token_gets_into_a_log_or_an_answer(program, caplog):
    caplog.set_level(logging.DEBUG)
    texts = []
    for token in (program.token, program.token[:-1]):
        for path in ("/client", "/nowhere", "/client?x=1"):
            texts.append(program.get(path, token=token).text)
    assert [text for text in (*texts, caplog.text) if program.token[20:40] in text] == []
