"""The page of clients: one is added, gets a token that is shown once, and is shut out."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from support.clients import Program

from trialog.records.clients import token_of
from trialog.records.models import Client, Person

# What a form does to the records is tested on both databases below the web.
pytestmark = pytest.mark.database("sqlite")
TOKEN = re.compile(r"trialog_[0-9a-f]{8}_[\w-]{43}")


def test_without_a_client_the_page_says_what_to_do(admin):
    page = admin.get("/clients").text
    assert "No client yet" in page
    assert 'href="/clients/new"' in page


def test_a_client_is_added_and_gets_a_token_that_is_shown_once(admin, people, session, cell):
    answer = admin.post(
        "/clients/new",
        {"name": "dashboard", "responsible": people.engineer.id, "cell": cell.id},
    )
    assert answer.location == "/clients/1/tokens/new"
    page = admin.post(answer.location, {"scopes": ["read", "log"], "days": "30"})
    (text,) = set(TOKEN.findall(page.text))
    assert page.headers["Cache-Control"] == "no-store"
    session.rollback()  # what it read before is old
    token = token_of(session, text, now=datetime.now(UTC))
    assert (token.scopes, token.client.name) == (["read", "log"], "dashboard")
    assert (token.expires_at - token.made_at).days == 30
    listed = admin.get("/clients").text
    assert TOKEN.search(listed) is None
    assert f"trialog_{token.hint}_…" in listed
    assert "never" in listed
    assert cell.cell.name in listed


def test_what_is_wrong_is_said_beside_its_field(admin, people, session):
    missing = admin.post("/clients/new", {"name": " ", "responsible": people.admin.id, "cell": "0"})
    assert missing.status_code == 422
    admin.post("/clients/new", {"name": "box", "responsible": people.approver.id, "cell": "0"})
    again = admin.post("/clients/new", {"name": "box", "responsible": people.admin.id, "cell": "0"})
    assert "Be new, but there is already a client" in again.text.replace("Must be", "Be")
    path = "/clients/1/tokens/new"
    none = admin.post(path, {"days": "30"})
    assert (none.status_code, "Tick at least one" in none.text) == (422, True)
    more = admin.post(path, {"scopes": "log", "days": "30"})
    assert "Must be no more than Anna Approver (approver) may do" in more.text
    long = admin.post(path, {"scopes": "read", "days": "731"})
    assert "Must be at least 1 and at most 730" in long.text
    session.rollback()
    assert session.get_one(Client, 1).tokens == []


def test_a_token_is_revoked_and_stays_listed(app, session, people, admin):
    program = Program(app, session, people.engineer)
    hint = program.row.hint
    assert program.get("/client").status_code == 200
    admin.post(f"/clients/tokens/{program.row.id}/revoke", page="/clients")
    assert program.get("/client").status_code == 401
    page = admin.get("/clients").text
    assert "No token is valid" in page
    assert "Tokens that are no longer valid (1)" in page
    assert f"trialog_{hint}_…" in page


def test_a_client_whose_person_left_is_marked_and_handed_over(app, session, people, admin):
    program = Program(app, session, people.engineer)
    session.get_one(Person, people.engineer.id).active = False
    session.commit()
    assert "may no longer sign in, so no token of this client" in admin.get("/clients").text
    answer = admin.post(f"/clients/{program.id}/responsible", {"responsible": people.admin.id})
    assert answer.location == "/clients"
    assert program.get("/client").json["responsible"]["name"] == people.admin.name


def test_a_client_is_renamed_and_its_token_stays(app, session, people, admin):
    program = Program(app, session, people.engineer)
    path = f"/clients/{program.id}/name"
    assert 'value="relay box"' in admin.get(path).text
    answer = admin.post(path, {"name": " relay box, lathe 4 "})
    assert answer.location == "/clients"
    assert "relay box, lathe 4" in admin.get("/clients").text
    assert program.get("/client").json["name"] == "relay box, lathe 4"
    Program(app, session, people.engineer, name="dashboard")
    taken = admin.post(path, {"name": "dashboard"})
    assert (taken.status_code, "already a client" in taken.text) == (422, True)
