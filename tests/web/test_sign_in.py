"""Signing in by name and PIN."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from flask import Response
from sqlalchemy import select
from support.enrolled import Enrolled
from support.visiting import Visitor

from trialog.records.database import unit_of_work
from trialog.records.models import Person, SignIn, WrongPins
from trialog.records.people import change_person
from trialog.records.pins import ANYWHERE_ELSE, TRIES
from trialog.records.sign_ins import LIFETIME
from trialog.records.words import Role
from trialog.web import known
from trialog.web.auth.views import LOCKED as WORDS
from trialog.web.auth.views import WRONG
from trialog.web.identity import TOKEN, SignedIn

LOCKED = WORDS.partition("{")[0]


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


def test_too_many_wrong_pins_from_anywhere_else_lock_only_that(app, stranger, people):
    own = Visitor(app)
    pin = people.pin(people.operator)
    assert enter(own, people.operator, pin).location == "/"
    own.post("/logout", page="/")
    for _ in range(TRIES - 1):
        assert LOCKED not in enter(stranger, people.operator, "0000").text
    assert LOCKED in enter(stranger, people.operator, "0000").text
    assert LOCKED in enter(stranger, people.operator, pin).text
    assert stranger.get("/").status_code == 302
    assert enter(own, people.operator, pin).location == "/"


def test_a_browser_that_is_known_has_tries_of_its_own(app, stranger, people):
    pin = people.pin(people.operator)
    enter(stranger, people.operator, pin)
    stranger.post("/logout", page="/")
    for _ in range(TRIES):
        said = enter(stranger, people.operator, "0000").text
    assert LOCKED in said
    assert enter(Visitor(app), people.operator, pin).location == "/"
    assert LOCKED not in enter(stranger, people.engineer, "0000").text


def known_to(visitor):
    return visitor.client.get_cookie("trialog_known").value


@pytest.mark.parametrize("forged", ["", "x", "e30.x", "WyJ4Il0.x", "\u00e9", "x" * 4000])
def test_a_forged_mark_of_a_known_browser_is_anywhere_else(app, stranger, people, forged):
    stranger.client.set_cookie("trialog_known", forged)
    for _ in range(TRIES):
        said = enter(stranger, people.operator, "0000").text
    assert LOCKED in said
    assert LOCKED in enter(Visitor(app), people.operator, "1111").text


def test_a_mark_is_fresh_at_each_sign_in_so_that_one_put_there_before_is_worth_nothing(
    app, stranger, people
):
    """Somebody copies the mark of a shared browser, for tries at the place of its next user."""
    enter(stranger, people.operator, people.pin(people.operator))
    copied = known_to(stranger)
    stranger.post("/logout", page="/")
    enter(stranger, people.operator, people.pin(people.operator))
    assert known_to(stranger) != copied
    stranger.post("/logout", page="/")
    guesser = Visitor(app)
    guesser.client.set_cookie("trialog_known", copied)
    for _ in range(TRIES):
        enter(guesser, people.operator, "0000")
    assert enter(stranger, people.operator, people.pin(people.operator)).location == "/"


def test_a_new_pin_makes_a_known_browser_anywhere_else(app, stranger, people, session):
    enter(stranger, people.operator, people.pin(people.operator))
    change(session, people.operator, pin="7654312")
    for _ in range(TRIES):
        enter(stranger, people.operator, "0000")
    session.rollback()
    assert session.scalars(select(WrongPins.place)).all() == [ANYWHERE_ELSE]


def test_many_people_at_one_computer_are_known_there_and_the_cookie_stays_small(app, people):
    with app.test_request_context("/login"):
        jar = ""
        for number in range(1, 200):
            person = Person(id=number, pin_hash="x")
            answer = Response()
            with app.test_request_context("/login", headers={"Cookie": f"trialog_known={jar}"}):
                known.remember(answer, person)
            jar = answer.headers["Set-Cookie"].partition("=")[2].partition(";")[0]
            assert len(answer.headers["Set-Cookie"]) < 4000
    with app.test_request_context("/login", headers={"Cookie": f"trialog_known={jar}"}):
        places = [known.place_of(Person(id=number, pin_hash="x")) for number in range(1, 200)]
    assert len(set(places[-known.MOST_PEOPLE :])) == known.MOST_PEOPLE
    assert ANYWHERE_ELSE not in places[-known.MOST_PEOPLE :]
    assert set(places[: -known.MOST_PEOPLE]) == {ANYWHERE_ELSE}


def test_an_admin_sees_where_wrong_pins_were_typed_and_can_end_the_wait(
    app, stranger, admin, people
):
    for _ in range(TRIES):
        enter(stranger, people.operator, "0000")
    assert "wrong PINs: somewhere no PIN is looked at until" in admin.get("/people").text
    page = admin.get(f"/people/{people.operator.id}/edit").text
    assert re.search(r"<td>anywhere else</td><td class=\"number\">5</td>", page)
    answer = admin.post(
        f"/people/{people.operator.id}/unlock", page=f"/people/{people.operator.id}/edit"
    )
    assert answer.location == f"/people/{people.operator.id}/edit"
    assert "Wrong PINs" not in admin.get(answer.location).text.split("</h1>")[1].split("roles")[0]
    assert enter(stranger, people.operator, people.pin(people.operator)).location == "/"


def test_too_many_tries_from_one_address_are_told_to_wait(app, stranger, people):
    statuses = [
        stranger.post("/login", {"name": "Nobody", "pin": "1111"}).status_code for _ in range(31)
    ]
    assert statuses == [422] * 30 + [429]


def test_tries_from_one_address_count_together_whatever_the_pin_is_for(
    app, stranger, approver, people, session
):
    tablet = Enrolled(app, session, people.engineer)
    tries = [
        lambda: stranger.post("/login", {"name": "Nobody", "pin": "1111"}),
        lambda: tablet.sign_in(98, "1111"),
        lambda: approver.post("/trials/98/sign", page="/help"),
        lambda: approver.post("/trials/98/refuse", page="/help"),
        lambda: approver.post("/sign-offs/98/revoke", page="/help"),
    ]
    statuses = [one().status_code for one in tries * 7]
    assert statuses == [422, 403, 404, 404, 404] * 6 + [429] * 5


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


def session_of(visitor):
    return visitor.client.get_cookie("trialog_session").value


def test_signing_out_ends_the_session_wherever_its_cookie_was_copied_to(app, operator):
    thief = Visitor(app)
    thief.client.set_cookie("trialog_session", session_of(operator))
    assert thief.get("/").status_code == 200
    operator.post("/logout", page="/")
    assert thief.get("/").status_code == 302


def test_signing_out_here_leaves_other_sessions_and_everywhere_ends_them(app, people, operator):
    other, third = (Visitor(app).sign_in(people.operator) for _ in range(2))
    engineer = Visitor(app).sign_in(people.engineer)
    operator.post("/logout", page="/")
    assert other.get("/").status_code == 200
    assert (
        "signed out everywhere"
        in other.post("/logout", {"everywhere": "1"}, page="/", follow_redirects=True).text
    )
    assert third.get("/").status_code == 302
    assert engineer.get("/").status_code == 200


def test_a_session_that_somebody_put_into_a_browser_before_signing_in_is_not_gone_on_with(
    app, stranger, people
):
    """Session fixation: the planted cookie must not come to be signed in."""
    planter = Visitor(app)
    planter.get("/login")
    planted = session_of(planter)
    stranger.client.set_cookie("trialog_session", planted)
    answer = enter(stranger, people.operator, people.pin(people.operator))
    assert answer.location == "/"
    assert session_of(stranger) != planted
    assert planter.get("/").status_code == 302
    own = Visitor(app).sign_in(people.engineer)
    stranger.client.set_cookie("trialog_session", session_of(own))
    enter(stranger, people.operator, people.pin(people.operator), page="/")
    assert own.get("/").status_code == 302  # that session has ended, it did not change hands
    assert "Olga Operator" in stranger.get("/").text


def test_a_cookie_that_is_signed_but_names_no_session_is_worth_nothing(app, operator, people):
    with operator.client.session_transaction() as session:
        del session[TOKEN]
    assert operator.get("/").status_code == 302
    operator.sign_in(people.operator)
    with operator.client.session_transaction() as session:
        session["_user_id"] = SignedIn(people.admin).get_id()
    assert operator.get("/").status_code == 302  # somebody else's session


def test_old_sessions_are_cleared_away(app, people, session):
    Visitor(app).sign_in(people.operator, at=datetime.now(UTC) - timedelta(hours=13))
    Visitor(app).sign_in(people.engineer)
    session.rollback()
    assert session.scalars(select(SignIn.person_id)).all() == [people.engineer.id]


@pytest.mark.parametrize("changes", [{"active": False}, {"role": Role.ENGINEER}, {"pin": "987645"}])
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
