"""One line a request: under which id, by which route, how it ended, and whose it was."""

from __future__ import annotations

import re

import pytest
from flask import Blueprint
from support.enrolled import Enrolled

from trialog.web import create_app
from trialog.web.observing import NOWHERE
from trialog.web.security import public

pytestmark = pytest.mark.database("sqlite")  # what is logged does not rest on the database

GIVEN = "X-Request-Id"


def test_a_request_is_one_line_with_the_rule_of_its_route(journal, engineer, people, cell):
    page = engineer.get(f"/cells/{cell.id}?name=something")
    lines = journal.lines("request")
    assert len(lines) == 1
    said = lines[0]
    assert said["route"] == "/cells/<int:cell_id>"
    assert (said["method"], said["status"]) == ("GET", 200)
    assert said["bytes"] == len(page.data)
    assert said["ms"] >= 0
    assert said["person"] == people.engineer.id
    assert said["request"] == page.headers[GIVEN]
    assert "something" not in journal.everything


def test_a_tablet_and_who_signs_in_are_named_by_their_numbers(app, session, people, cell, journal):
    tablet = Enrolled(app, session, people.engineer, cell=cell.cell)
    tablet.pack()
    assert journal.last()["tablet"] == tablet.id
    tablet.sign_in(people.operator.id, "0000")
    refused = journal.last("sign-in refused")
    assert refused["person"] == people.operator.id
    assert refused["why"] == "wrong PIN"
    assert refused["request"] == journal.last()["request"]


def test_lines_that_are_parked_are_worth_a_line(app, session, people, cell, journal):
    tablet = Enrolled(app, session, people.engineer, cell=cell.cell)
    assert tablet.send(tablet.tap("good", cycles=-1), tablet.tap("nonsense")).status_code == 200
    said = journal.last("lines parked")
    assert (said["level"], said["cell"], said["lines"]) == ("warning", cell.id, 2)


def test_a_stranger_is_nobody_and_an_address_without_a_page_is_no_route(stranger, journal):
    stranger.get("/nowhere/at/all")
    said = journal.last()
    assert (said["route"], said["status"]) == (NOWHERE, 404)
    assert not {"person", "tablet", "client"} & set(said)
    assert "nowhere/at" not in journal.everything


def test_an_unknown_method_is_not_written_as_it_came(stranger, journal):
    stranger.client.open("/login", method="SESAME")
    assert journal.last()["method"] == "other"


@pytest.mark.parametrize("given", ["a1b2c3d4", "0b5c9f0e-6d9b-4f2e-9d1c-7a1f7c1f2a33", "x" * 64])
def test_a_well_formed_id_from_outside_is_kept(stranger, journal, given):
    assert stranger.get("/health/live", headers={GIVEN: given}).headers[GIVEN] == given
    assert journal.last()["request"] == given


@pytest.mark.parametrize(
    "given", ["", "short", "x" * 65, "a b c d e f", "-abcdefgh", "<script>alert", "ä" * 10]
)
def test_any_other_is_replaced_by_one_of_our_own(stranger, journal, given):
    answered = stranger.get("/health/live", headers={GIVEN: given}).headers[GIVEN]
    assert answered != given
    assert re.fullmatch(r"[0-9a-f]{16}", answered)
    assert journal.last()["request"] == answered


def test_a_crash_shows_the_number_that_its_line_has(database, journal):
    app = create_app({"DATABASE_URL": database, "SECRET_KEY": "k"})

    @public
    def fail():
        raise ZeroDivisionError("detail")

    room = Blueprint("extra", __name__)
    room.add_url_rule("/extra", view_func=fail, endpoint="view")
    app.register_blueprint(room)
    page = app.test_client().get("/extra")
    app.extensions["trialog"].engine.dispose()
    number = page.headers[GIVEN]
    assert f"<code>{number}</code>" in page.text
    assert (journal.last()["status"], journal.last()["level"]) == (500, "error")
    told = journal.last(f"unexpected error at /extra ({number})")
    assert told["error"] == "ZeroDivisionError: detail"


def test_a_page_that_did_not_break_shows_no_number(operator):
    page = operator.get("/nowhere")
    assert page.headers[GIVEN] not in page.text
