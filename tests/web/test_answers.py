"""What every answer has in common: headers, one error page, one error form."""

from __future__ import annotations

import pytest
from flask import Blueprint
from sqlalchemy.exc import OperationalError

from trialog.errors import (
    ConflictError,
    InvalidValueError,
    NotAllowedError,
    TrialogError,
    UnknownNameError,
)
from trialog.records.models import Person
from trialog.web import create_app
from trialog.web.database import get_session
from trialog.web.errors import error_body_of, status_of
from trialog.web.security import public, report_page


def policy(answer):
    parts = answer.headers["Content-Security-Policy"].split("; ")
    return dict(part.split(" ", 1) for part in parts)


def with_view(app, view, *marks):
    room = Blueprint("extra", __name__)
    for mark in (public, *marks):
        view = mark(view)
    room.add_url_rule("/extra", view_func=view, endpoint="view", methods=["GET", "POST"])
    app.register_blueprint(room)


def test_every_page_keeps_to_itself(stranger, people):
    answer = stranger.get("/login")
    assert policy(answer) == {
        "default-src": "'self'", "object-src": "'none'", "base-uri": "'none'",
        "frame-ancestors": "'none'", "form-action": "'self'",
    }  # fmt: skip
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Referrer-Policy"] == "same-origin"
    assert "camera=()" in answer.headers["Permissions-Policy"]


def test_no_page_is_kept_by_the_browser(operator):
    assert operator.get("/").headers["Cache-Control"] == "no-store"


def test_a_page_with_charts_loosens_styles_and_nothing_else(app, stranger):
    with_view(app, lambda: "charts", report_page)
    loosened = policy(stranger.get("/extra"))
    assert loosened.pop("style-src") == "'self' 'unsafe-inline'"
    assert loosened.pop("img-src") == "'self' data: blob:"
    assert loosened == policy(stranger.get("/login"))


def test_static_files_are_kept_for_long_under_an_address_of_their_content(stranger, people):
    page = stranger.get("/login").text
    start = page.index("/static/app.css?v=")
    with stranger.get(page[start : page.index('"', start)]) as answer:
        pass
    assert "max-age=31536000" in answer.headers["Cache-Control"]


def test_the_chart_library_is_served_from_here_and_packed(stranger):
    packed = stranger.get("/assets/plotly.min.js", headers={"Accept-Encoding": "gzip"})
    plain = stranger.get("/assets/plotly.min.js")
    assert packed.headers["Content-Encoding"] == "gzip"
    assert "immutable" in packed.headers["Cache-Control"]
    assert len(packed.data) < len(plain.data) / 2


def test_health_says_that_the_database_answers(stranger):
    assert stranger.get("/health").json == {"status": "ok"}


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (InvalidValueError("cycles", "be above 0", -1), 422),
        (UnknownNameError("trial", "be known", "x"), 404),
        (ConflictError("taken"), 409),
        (NotAllowedError("no"), 403),
        (TrialogError("else"), 400),
    ],
)
def test_each_error_has_its_status_for_pages_and_programs(app, stranger, error, status):
    def fail():
        raise error

    with_view(app, fail)
    assert status_of(error) == status
    page = stranger.get("/extra")
    assert page.status_code == status
    assert "Go to the first page" in page.text
    answer = stranger.get("/extra", headers={"Accept": "application/json"})
    assert answer.status_code == status
    assert answer.json == error_body_of(error)


def test_the_error_form_names_field_rule_and_value():
    assert error_body_of(InvalidValueError("cycles", "be above 0", -1)) == {
        "error": {
            "message": "cycles must be above 0, got -1",
            "field": "cycles",
            "rule": "be above 0",
            "value": "-1",
        }
    }


def test_an_address_that_leads_nowhere_says_so_and_shows_a_way_back(stranger):
    page = stranger.get("/nowhere")
    assert page.status_code == 404
    assert "leads nowhere" in page.text
    assert 'href="/"' in page.text


def test_a_value_in_an_error_is_shown_as_text(app, stranger):
    def fail():
        raise InvalidValueError("name", "be plain", "<script>alert(1)</script>")

    with_view(app, fail)
    page = stranger.get("/extra").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;" in page


def test_who_comes_second_is_told_so_and_nothing_is_saved(app, stranger, people):
    def clash():
        session = get_session()
        session.add(Person(
            name=people.operator.name, role="admin", pin_hash="x",
            created_at=people.operator.created_at,
        ))  # fmt: skip
        session.flush()

    with_view(app, clash)
    page = stranger.get("/extra")
    assert page.status_code == 409
    assert "Somebody else changed the same thing" in page.text


def test_a_database_that_fails_is_answered_in_plain_words(app, operator, caplog):
    def fail():
        raise OperationalError("SELECT 1", {}, Exception("disk I/O error"))

    with_view(app, fail)
    page = operator.get("/extra")
    assert page.status_code == 503
    assert "either in the records or not at all" in page.text
    assert "disk I/O error" not in page.text
    assert "disk I/O error" in caplog.text


def test_even_the_error_page_may_break(app, stranger, monkeypatch, caplog):
    def fail(*_args, **_options):
        raise OperationalError("SELECT 1", {}, Exception("gone"))

    with_view(app, fail)
    monkeypatch.setattr("trialog.web.errors.render_template", fail)
    answer = stranger.get("/extra")
    assert (answer.status_code, answer.mimetype) == (503, "text/plain")
    assert "either in the records or not at all" in answer.text


def test_a_crash_says_nothing_of_its_cause(database, caplog):
    app = create_app({"DATABASE_URL": database, "SECRET_KEY": "k"})

    def fail():
        raise ZeroDivisionError("secret detail")

    with_view(app, fail)
    page = app.test_client().get("/extra")
    app.extensions["trialog"].engine.dispose()
    assert page.status_code == 500
    assert "secret detail" not in page.text
    assert "secret detail" in caplog.text


def test_a_request_above_the_limit_is_told_to_be_parted(app, admin):
    app.config["MAX_CONTENT_LENGTH"] = 1000
    answer = admin.post("/people/new", {"name": "x" * 2000})
    assert answer.status_code == 413
    assert "larger than 32 MB" in answer.text
