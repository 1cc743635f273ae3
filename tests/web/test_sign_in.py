"""Signing in by name and PIN."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from trialog.records.database import unit_of_work
from trialog.records.people import TRIES, change_person
from trialog.records.words import Role
from trialog.web.auth.views import LOCKED, WRONG
from trialog.web.identity import LIFETIME


def enter(visitor, person, pin, page="/login"):
    return visitor.post("/login", {"name": person.name, "pin": pin, "next": ""}, page=page)


def change(session, person, **changes):
    as_it_is = {"role": person.role, "active": person.active, "pin": None}
    with unit_of_work(session):
        change_person(session, person, **as_it_is | changes, actor=None, now=datetime.now(UTC))


def test_a_database_without_people_names_the_command_that_adds_one(stranger):
    page = stranger.get("/login").text
    assert "trialog people add --name &#34;Your name&#34; --role admin" in page.replace(
        '"', "&#34;"
    )
    assert "<form" not in page


def test_the_page_offers_the_names_of_those_who_may_sign_in(stranger, people, session):
    change(session, people.operator, active=False)
    page = stranger.get("/login").text
    assert "Emil Engineer" in page
    assert "Olga Operator" not in page


def test_the_right_pin_leads_to_the_first_page(stranger, people):
    answer = enter(stranger, people.operator, people.pin(people.operator))
    assert (answer.status_code, answer.location) == (302, "/")
    assert "Olga Operator" in stranger.get("/").text


def test_a_wrong_pin_and_an_unknown_name_are_refused_alike(stranger, people):
    wrong = enter(stranger, people.operator, "0000")
    assert wrong.status_code == 422
    assert WRONG in wrong.text
    assert "0000" not in wrong.text
    assert stranger.get("/").status_code == 302


def test_a_name_that_is_not_on_the_list_is_refused(stranger, people):
    answer = stranger.post("/login", {"name": "Nobody", "pin": "1111"})
    assert answer.status_code == 422
    assert stranger.get("/").status_code == 302


def test_too_many_wrong_pins_lock_the_name_and_say_so(stranger, people):
    for _ in range(TRIES - 1):
        assert LOCKED not in enter(stranger, people.operator, "0000").text
    assert LOCKED in enter(stranger, people.operator, "0000").text
    assert LOCKED in enter(stranger, people.operator, people.pin(people.operator)).text
    assert stranger.get("/").status_code == 302


def test_too_many_tries_from_one_address_are_told_to_wait(app, stranger, people):
    statuses = [
        stranger.post("/login", {"name": "Nobody", "pin": "1111"}).status_code for _ in range(31)
    ]
    assert statuses == [422] * 30 + [429]


@pytest.mark.parametrize(
    "target",
    ["https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example", "x", ""],
)
def test_signing_in_never_leads_to_another_site(stranger, people, target):
    pin = people.pin(people.operator)
    answer = stranger.post("/login", {"name": people.operator.name, "pin": pin, "next": target})
    assert answer.location == "/"


def test_signing_in_leads_back_to_the_page_that_was_asked_for(stranger, people):
    asked = stranger.get("/people?x=1")
    assert asked.location == "/login?next=/people?x%3D1"
    pin = people.pin(people.admin)
    answer = stranger.post(
        "/login",
        {"name": people.admin.name, "pin": pin, "next": "/people?x=1"},
        page=asked.location,
    )
    assert answer.location == "/people?x=1"


def test_signing_out_ends_the_session(operator):
    answer = operator.post("/logout", page="/")
    assert answer.location == "/login"
    assert operator.get("/").status_code == 302


@pytest.mark.parametrize("changes", [{"active": False}, {"role": Role.ENGINEER}, {"pin": "987654"}])
def test_a_change_of_rights_ends_the_session(operator, people, session, changes):
    assert operator.get("/").status_code == 200
    change(session, people.operator, **changes)
    assert operator.get("/").status_code == 302


def test_a_session_ends_after_twelve_hours(app, stranger, people):
    begun = datetime.now(UTC) - LIFETIME
    stranger.sign_in(people.operator, at=begun + timedelta(minutes=1))
    assert stranger.get("/").status_code == 200
    stranger.sign_in(people.operator, at=begun - timedelta(minutes=1))
    assert stranger.get("/").status_code == 302


def test_the_cookie_is_out_of_reach_for_scripts_and_other_sites(stranger, people):
    answer = enter(stranger, people.operator, people.pin(people.operator))
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Secure" not in cookie
