"""The tablets' pages: who there is, a code for a new one, the engineer's own browser, the end."""

from __future__ import annotations

import re
from datetime import timedelta
from urllib.parse import urlsplit

import pytest
from sqlalchemy import select

from trialog.records.models import EnrolmentCode, Tablet
from trialog.records.tablets import ALPHABET
from trialog.web.tablets.standing import clock_words

CODE = re.compile(rf"\b([{ALPHABET}]{{4}})-([{ALPHABET}]{{4}})\b")
HERE = re.compile(rf"/tablet/#enrol=([{ALPHABET}]{{8}})")


def make_code(visitor, name="blue tablet", cell="0", **options):
    return visitor.post("/tablets/new", {"name": name, "cell": str(cell)}, **options)


def enrol(app, code):
    return app.test_client(use_cookies=False).post("/api/tablet/enrol", json={"code": code})


def test_before_the_first_tablet_the_page_says_how_to_enrol_one(engineer):
    page = engineer.get("/tablets").text
    assert "No tablet yet" in page
    assert 'href="/tablets/new"' in page


@pytest.mark.parametrize(("who", "sees"), [("operator", False), ("engineer", True),
                                           ("approver", False), ("admin", True)])  # fmt: skip
def test_the_navigation_leads_there_who_may_enrol(app, request, who, sees):
    page = request.getfixturevalue(who).get("/help").text
    assert ('href="/tablets"' in page) is sees


def test_a_tablet_is_named_and_gets_a_code_that_works(engineer, app, session, cell):
    page = make_code(engineer, cell=cell.id).text
    code = "".join(CODE.search(page).groups())
    made = enrol(app, code).get_json()
    assert (made["tablet"]["name"], made["cell"]) == ("blue tablet", cell.id)


def test_the_code_page_shows_the_square_the_address_and_until_when(engineer, session):
    page = make_code(engineer).text
    assert "<svg" in page
    assert "http://localhost/tablet/" in page
    session.rollback()
    until = session.scalars(select(EnrolmentCode.expires_at)).one()
    assert f"until <strong>{until:%Y-%m-%d %H:%M}</strong>" in page


def test_the_square_needs_no_inline_style(engineer):
    assert not re.search(r"<svg[^>]*style=|<style", make_code(engineer).text)


def test_the_code_itself_is_not_in_the_address_that_a_server_logs(engineer):
    answer = make_code(engineer)
    code = "".join(CODE.search(answer.text).groups())
    assert code not in answer.request.path
    assert f'href="/tablet/{code}' not in answer.text
    assert answer.headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize(
    ("base", "unreachable", "plain"),
    [
        ("http://localhost:8765", True, False),
        ("http://127.0.0.1:8765", True, False),
        ("http://192.168.1.20:8765", False, True),
        ("https://shop-pc.example:8765", False, False),
    ],
)
def test_an_address_that_will_not_do_is_warned_of(engineer, base, unreachable, plain):
    token = engineer.token()
    # Cookies belong to a host: the session moves there with the visitor.
    cookie = engineer.client.get_cookie("trialog_session").value
    engineer.client.set_cookie("trialog_session", cookie, domain=urlsplit(base).hostname)
    page = engineer.client.post(
        "/tablets/new",
        base_url=base,
        data={"csrf_token": token, "name": "blue tablet", "cell": "0"},
        headers={"Referer": f"{base}/tablets/new"},
    ).text
    assert CODE.search(page)
    assert ("opened on the server itself" in page) is unreachable
    assert ("This address is plain HTTP" in page) is plain


def test_a_name_in_use_a_missing_one_and_a_long_one_are_refused_beside_the_field(engineer, tablet):
    for name, words in (("blue tablet", "Must be new"), ("", "Must be given"), ("x" * 121, "120")):
        answer = make_code(engineer, name=name)
        assert answer.status_code == 422
        assert words in answer.text
        assert not CODE.search(answer.text)


@pytest.mark.parametrize("cell", ["99", "x", "", "1.0", "-1"])
def test_a_cell_that_is_not_offered_is_refused(engineer, cell, session):
    assert make_code(engineer, cell=cell).status_code == 422
    assert session.scalars(select(EnrolmentCode)).all() == []


def test_an_engineers_own_browser_becomes_a_tablet(engineer, app, session):
    answer = engineer.post("/tablets/here", page="/tablets")
    assert answer.status_code == 302
    code = HERE.fullmatch(answer.location)[1]
    assert enrol(app, code).get_json()["tablet"]["name"] == "Emil Engineer, browser"
    answer = engineer.post("/tablets/here", page="/tablets")
    code = HERE.fullmatch(answer.location)[1]
    assert enrol(app, code).get_json()["tablet"]["name"] == "Emil Engineer, browser (2)"


def test_the_list_tells_how_each_tablet_is(engineer, tablet, shift):
    tablet.ahead = timedelta(minutes=2, seconds=5)
    tablet.send(tablet.tap("good", cycles=1), tablet.tap("good", cycles=0))
    page = engineer.get("/tablets").text
    assert "blue tablet" in page
    assert re.search(r"2 min [456] s ahead", page)
    assert "version 1a2b" in page
    assert "1 line not taken on Lathe 4" in page


@pytest.mark.parametrize(
    ("ahead", "said"),
    [
        (None, "not measured yet"), (0.0, "right"), (-1.9, "right"), (125.0, "2 min 5 s ahead"),
        (-7200.0, "2 h behind"), (1e11, "1,157,407 days 9 h ahead"),
    ],
)  # fmt: skip
def test_a_clock_in_words(ahead, said):
    assert clock_words(ahead) == said


def test_a_tablet_is_revoked_from_the_list(engineer, tablet):
    answer = engineer.post(f"/tablets/{tablet.id}/revoke", page="/tablets")
    assert answer.location == "/tablets"
    assert tablet.pack().status_code == 401
    page = engineer.get("/tablets").text
    assert "Revoked tablets (1)" in page
    assert "blue tablet is revoked" in page


def test_a_tablet_that_is_none_cannot_be_revoked(engineer, tablet):
    for number in (99, 2**31, 10**30):
        assert engineer.post(f"/tablets/{number}/revoke", page="/tablets").status_code == 404


def test_names_are_shown_as_text(engineer, app, session, people):
    name = "<script>alert(1)</script>"
    page = make_code(engineer, name=name).text
    enrol(app, "".join(CODE.search(page).groups()))
    session.rollback()
    for text in (page, engineer.get("/tablets").text):
        assert name not in text
        assert "&lt;script&gt;" in text
    assert session.scalars(select(Tablet.name)).one() == name
