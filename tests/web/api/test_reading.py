"""Reading: pages by cursor while others write, entity tags, reports, and problems everywhere."""

from __future__ import annotations

import json

import pytest
from openapi_spec_validator import validate
from sqlalchemy.exc import OperationalError
from support.cells import good, note, opening, undo, write
from support.clients import Program, assert_problem
from support.populated import populate

from trialog.records.models import Shift
from trialog.records.words import Scope
from trialog.reports.kinds import KINDS
from trialog.web.api import cells as api_cells
from trialog.web.api.cursors import make_cursor
from trialog.web.api.document import openapi, operations
from trialog.web.problems import KINDS as PROBLEMS
from trialog.web.security import access_of


@pytest.fixture
def reader(app, session, people):
    return Program(app, session, people.engineer, Scope.READ)


@pytest.fixture
def logbook(session, cell, now):
    """Write a logbook of nine lines; one of them is undone."""
    notes = [note("A") for _ in range(6)]
    write(session, cell, opening("A"), good("A", 4), *notes, undo(notes[0].client_id), now=now)
    session.rollback()
    return f"/cells/{cell.id}/entries"


def walk(reader, path, **query):
    """Read a list page by page, and return the pages."""
    pages, cursor = [], None
    while True:
        asked = query | ({"cursor": cursor} if cursor else {})
        answer = reader.get(path, query_string=asked)
        assert answer.status_code == 200, answer.text
        pages.append(answer.json["items"])
        cursor = answer.json["next"]
        if cursor is None:
            return pages


def test_pages_follow_each_other_without_gap_or_repeat(reader, logbook):
    pages = walk(reader, logbook, limit=4)
    assert [len(page) for page in pages] == [4, 4, 1]
    lines = [line for page in pages for line in page]
    assert [line["sequence"] for line in lines] == list(range(1, 10))
    assert [line["sequence"] for line in lines if line["undone"]] == [3]
    newest = [line for page in walk(reader, logbook, limit=3, order="newest") for line in page]
    assert newest == lines[::-1]


def test_what_is_written_between_pages_is_neither_missed_nor_doubled(
    reader, logbook, session, cell, now
):
    first = reader.get(logbook, query_string={"limit": 5}).json
    newest = reader.get(logbook, query_string={"limit": 5, "order": "newest"}).json
    write(session, cell, note("A"), note("A"), now=now)
    later = {"cursor": first["next"], "limit": 5}
    rest = walk(reader, logbook, **{"limit": 5})
    assert reader.get(logbook, query_string=later).json["items"] == rest[1]
    older = reader.get(
        logbook, query_string={"cursor": newest["next"], "limit": 5, "order": "newest"}
    ).json
    assert [line["sequence"] for line in older["items"]] == [4, 3, 2, 1]


def test_lines_are_narrowed_down_by_shift_and_kind(reader, logbook, session):
    shift = session.query(Shift).one().id
    notes = walk(reader, logbook, kind="note", shift=shift, limit=4)
    assert [len(page) for page in notes] == [4, 2]
    assert walk(reader, logbook, kind="ruling") == [[]]
    assert_problem(reader.get(f"{logbook}?shift=99"), 404, "Not found")


@pytest.mark.parametrize("cursor", ["x", "", "!", "ä", make_cursor("cells", 1), "b2xkZXN0"])
def test_a_cursor_that_the_list_has_not_given_is_refused(reader, logbook, cursor):
    told = assert_problem(
        reader.get(logbook, query_string={"cursor": cursor}), 422, "Invalid value"
    )
    assert told["errors"][0]["field"] == "cursor"


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("limit=0", "limit"), ("limit=1001", "limit"), ("limit=x", "limit"), ("x=1", "x"),
        ("limit=1&limit=2", "limit"), ("order=odd", "order"), ("kind=x", "kind"),
        ("shift=0", "shift"),
    ],
)  # fmt: skip
def test_a_parameter_that_breaks_its_rule_is_named(reader, logbook, query, field):
    told = assert_problem(reader.get(f"{logbook}?{query}"), 422, "Invalid value")
    assert [one["field"] for one in told["errors"]] == [field]


def test_every_read_answers_304_until_something_changes(app, session, people):
    records = populate(app, session, people)
    reader, missing = Program(app, session, people.engineer, Scope.READ, name="r"), []
    seen = set()
    for rule, method, _ in operations(app):
        path = records.address(rule).removeprefix("/api/v1")
        if method != "GET" or path.endswith((".csv", "/report", "/evidence")):
            continue  # a report says when it was made; a file is sent as it is read
        for taken in ("identity", "gzip"):
            own = {"Accept-Encoding": taken}
            first = reader.get(path, headers=own)
            tag = first.headers["ETag"]
            again = reader.get(path, headers={"If-None-Match": tag, **own})
            whole = (again.status_code, again.data, again.headers["ETag"]) == (304, b"", tag)
            # Packed anew it has other bytes: only a weak tag may stand for that (RFC 9110, 8.8.1).
            packed = first.headers.get("Content-Encoding") == "gzip"
            if not whole or tag.startswith("W/") != packed or "Content-Encoding" in again.headers:
                missing.append((path, taken))
            if "private" not in str(first.cache_control):
                missing.append((path, "kept by others"))
            seen.add(packed)
    assert seen == {True, False}
    assert missing == []


def test_a_changed_logbook_has_another_tag(reader, logbook, session, cell, now):
    tags = []
    for _ in range(2):
        for path in (logbook, f"/cells/{cell.id}/logbook"):
            tags.append(reader.get(path).headers["ETag"])
        write(session, cell, note("A"), now=now)
        session.rollback()
    assert len(set(tags)) == 4


def test_reports_come_in_every_form(app, session, people):
    records = populate(app, session, people)
    reader = Program(app, session, people.engineer, Scope.READ, name="r")
    paths = {
        "shift": "/shifts/{shift_id}/report", "trial": "/trials/{trial_id}/report",
        "evidence": "/trials/{trial_id}/evidence", "cell": "/cells/{cell_id}/report",
        "fleet": "/fleet/report",
    }  # fmt: skip
    assert set(paths) == set(KINDS)
    for kind, path in paths.items():
        path = path.format(**records.parts)  # noqa: PLW2901
        assert reader.get(path).json["sentence"], kind
        csv = reader.get(f"{path}?format=csv")
        assert csv.mimetype == "text/csv", kind
        assert_problem(reader.get(f"{path}?format=csv&table=x"), 422, "Invalid value")
    spanish = reader.get("/fleet/report?language=es&format=html")
    assert '<html lang="es"' in spanish.text
    assert_problem(reader.get("/fleet/report?time_zone=Nowhere"), 422, "Invalid value")


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nowhere", 404), ("GET", "/cells/99", 404), ("GET", "/cells/x", 404),
        ("GET", "/shifts/99", 404), ("GET", f"/trials/{10**12}", 404), ("POST", "/nowhere", 404),
        ("DELETE", "/cells", 405), ("POST", "/cells", 405), ("GET", f"/cells/{2**70}/logbook", 404),
    ],
)  # fmt: skip
def test_what_is_not_there_is_a_problem_too(reader, method, path, status):
    answer = reader.open(method, path)
    assert_problem(answer, status, PROBLEMS[status])
    assert (status == 405) == ("Allow" in answer.headers)


@pytest.mark.parametrize(
    ("fault", "status"),
    [
        (OperationalError("SELECT secret", {}, Exception("down")), 503),
        (RuntimeError("secret"), 500),
    ],
)
def test_faults_of_the_server_are_problems_that_tell_nothing(
    reader, app, monkeypatch, fault, status
):
    def fails(*_args, **_options):
        raise fault

    from trialog.web.errors import _on_crash  # noqa: PLC0415 - tests run without it

    app.register_error_handler(Exception, _on_crash)
    monkeypatch.setattr(api_cells, "cells_after", fails)
    answer = reader.get("/cells")
    assert_problem(answer, status, PROBLEMS[status])
    assert "secret" not in answer.text


def test_the_document_names_the_scope_that_a_route_asks_for(app):
    """Who else may not use it is tried by tests/web/test_personas.py, route by route."""
    found = list(operations(app))
    assert found
    for rule, _method, about in found:
        assert access_of(app.view_functions[rule.endpoint]) is about.scope


def test_the_document_is_valid_openapi_and_tells_of_every_route(app, reader):
    told = reader.get("/openapi.json").json
    assert told == json.loads(json.dumps(openapi(app)))
    assert told["openapi"] == "3.1.0"
    validate(told)
    paths = {
        (rule.rule.replace("<int:", "{").replace(">", "}").removeprefix("/api/v1"), method.lower())
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"HEAD", "OPTIONS"}
        if rule.rule.startswith("/api/v1/")
    }
    public = {("/", "get"), ("/openapi.json", "get")}
    assert {
        (path, method) for path, item in told["paths"].items() for method in item
    } == paths - public


def test_the_page_shows_every_operation_and_schema(app, stranger):
    page = stranger.get("/api/v1/").text
    told = openapi(app)
    for path, item in told["paths"].items():
        assert f"/api/v1{path}</code>" in page
        assert all(f'id="{one["operationId"]}"' in page for one in item.values())
    assert [n for n in told["components"]["schemas"] if f'id="schema-{n}"' not in page] == []
    assert "<script" not in page
    assert "<code>trialog import</code>" in page
    assert "`" not in page


def test_every_kind_of_problem_is_told_of_in_the_help(stranger):
    page = stranger.get("/help/api").text
    missing = [t for t in PROBLEMS.values() if f'id="{t.lower().replace(" ", "-")}"' not in page]
    assert missing == []
