"""Texts that a database might take for its own language, thought up by a program, into everything.

A text is taken or refused in words; what is taken comes back sign by sign. PostgreSQL is the
stricter of the databases: it can be asked for no NUL and no half of a surrogate pair.
`test_requests.py` and `test_forms.py` try fixed values on SQLite.
"""

from __future__ import annotations

import itertools
import re
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from sqlalchemy import inspect, select
from support.cells import new_id
from support.clients import Program
from support.hostile import looked_at

from trialog.records.base import Base
from trialog.records.entries import storable
from trialog.records.models import Cell, Entry, Person
from trialog.web.api.operations import operation_of

from .test_forms import forms_of
from .test_requests import ASKED

PIECES = (
    "'", "''", '"', "`", "--", "-- ", "#", "/*", "*/", ";", "%", "_", "\\", "\\'", "\x00", "\ud800",
    "\udfff", "$1", "$$", ":name", "?", "%s", "%(name)s", "{0}", "{{", "||", "(", ")", "\n", "\r",
    "' OR '1'='1", "'; DROP TABLE person; --", "\u02bc", "\uff07", "\u202e", "\u00e9", "\U0001d11e",
    " ", "a", "0", "null",
)  # fmt: skip
TEXTS = st.lists(st.sampled_from(PIECES), min_size=1, max_size=12).map("".join)
"""Quotes, comments, placeholders, what no database holds, and what only looks like a quote."""

WHOLE = TEXTS.filter(lambda text: re.search("[\ud800-\udfff]", text) is None)

FEW = {
    "deadline": None, "derandomize": True, "database": None, "phases": [Phase.generate],
    "suppress_health_check": list(HealthCheck),
}  # fmt: skip


def encoded(values):
    """Return a form or a query as bytes on the wire, halves of surrogate pairs included."""
    return urlencode(values, errors="surrogatepass")


def asked_of(app, records):
    """Yield each address that takes parameters, with their names: pages, files, and the API."""
    yield from ASKED.items()
    for rule in app.url_map.iter_rules():
        about = operation_of(app.view_functions[rule.endpoint])
        if about is not None and about.query is not None and "GET" in rule.methods:
            yield records.address(rule), tuple(about.query.model_fields)


def bodies_of(records):
    """Yield where JSON goes and, for a text, what: each field that holds one."""
    line = {"client_id": "x", "kind": "note", "shift": "A"}
    fields = ("client_id", "kind", "shift", "time", "text", "reason", "stage", "counter_event",
              "condition", "reading", "target", "photo", "cause")  # fmt: skip
    program, tablet = f"Bearer {records.token}", f"Bearer {records.tablet.key}"
    for field in fields:
        yield (
            "/api/v1/cells/1/entries",
            program,
            lambda text, field=field: {"entries": [line | {field: text}]},
        )
        yield "/api/tablet/entries", tablet, lambda text, field=field: {
            "cell": 1, "entries": [line | {field: text}]
        }  # fmt: skip
        yield (
            "/api/cells/1/entries",
            "",
            lambda text, field=field: {"entries": [line | {field: text}]},
        )
    for field in ("pulse", "id", "at", "state"):
        whole = {} if field == "pulse" else {"total": 3, "id": "x"}
        yield (
            "/api/v1/cells/1/counter",
            program,
            lambda text, field=field, whole=whole: whole | {field: text},
        )
    yield "/api/tablet/sign-in", tablet, lambda text: {"person": 1, "pin": text}
    yield "/api/tablet/enrol", "", lambda text: {"code": text}


def paths_of(app):
    """Return how each address begins that goes on with something variable."""
    rules = [rule for rule in app.url_map.iter_rules() if "GET" in rule.methods]
    return [rule.rule.split("<")[0] for rule in rules if "<" in rule.rule]


@pytest.mark.database("postgresql")
def test_no_text_breaks_a_form_a_page_or_the_api_wherever_it_is_put(app, session, records, admin):
    visit = admin.client
    pages = [
        address for endpoint, address in looked_at(app, records)
        if not endpoint.startswith(("downloads.", "kept.file", "help.", "api.", "static"))
    ]  # fmt: skip
    forms = list(forms_of(visit, pages))
    queries, bodies = list(asked_of(app, records)), list(bodies_of(records))
    paths = paths_of(app)
    assert min(len(forms), len(queries), len(bodies), len(paths)) > 20
    token = {"Authorization": f"Bearer {records.token}"}
    broken = []

    def note(answer, where, text):
        with answer:
            if answer.status_code >= 500 or b"$argon2id$" in answer.data:
                broken.append((where, text, answer.status_code))

    @settings(max_examples=2, **FEW)
    @given(st.lists(TEXTS, min_size=24, max_size=24))
    def put_everywhere(texts):
        text = itertools.cycle(texts)
        for form, target in forms:
            filled = form.filled("") | {name: next(text) for name in form.typed}
            filled = {name: one for name, one in filled.items() if name not in form.files}
            one = {"query_string" if form.method == "GET" else "data": encoded(filled)}
            kind = {} if form.method == "GET" else {"content_type": FORM}
            note(visit.open(target, method=form.method, **one, **kind), target, filled)
        for address, names in queries:
            asked = {name: next(text) for name in names}
            headers = token if address.startswith("/api/v1") else {}
            note(visit.get(address, query_string=encoded(asked), headers=headers), address, asked)
        for address, key, body in bodies:
            sent = body(next(text))
            headers = {"Authorization": key} if key else {}
            note(visit.post(address, json=sent, headers=headers), address, sent)
        for path in paths:
            address = path + quote(next(text), errors="surrogatepass")
            note(visit.get(address, headers=token), address, "")

    before = rows_of_people(session)
    put_everywhere()
    assert broken == []
    assert rows_of_people(session).keys() >= before.keys()
    assert set(inspect(session.connection()).get_table_names()) >= set(Base.metadata.tables)


FORM = "application/x-www-form-urlencoded"


def rows_of_people(session):
    session.rollback()
    return dict(session.execute(select(Person.id, Person.pin_hash)).all())


def test_what_the_logbook_takes_comes_back_sign_by_sign(app, session, people, cell):
    program = Program(app, session, people.engineer)
    address = f"/cells/{cell.id}/entries"
    opened = {"client_id": "open", "kind": "open", "shift": "A", "stage": "by hand"}
    assert program.post(address, {"entries": [opened]}).json["entries"][0]["status"] == "added"

    @settings(max_examples=3, **FEW)
    @given(st.lists(WHOLE, min_size=40, max_size=40))
    def round_trip(texts):
        sent = {new_id(): text for text in texts}
        lines = [
            {"client_id": client_id, "kind": "note", "shift": "A", "text": text}
            for client_id, text in sent.items()
        ]
        told = program.post(address, {"entries": lines}).json["entries"]
        taken = {one["client_id"] for one in told if one["status"] == "added"}
        assert taken == {key for key, text in sent.items() if storable(text) and text.strip()}
        refused = [one for one in told if one["client_id"] not in taken]
        assert {one["problem"]["errors"][0]["field"] for one in refused} <= {"text", "note"}
        shown = program.get(f"{address}?limit=1000&order=newest").json["items"]
        back = {one["client_id"]: one["text"] for one in shown}
        session.rollback()
        stored = dict(session.execute(select(Entry.client_id, Entry.text)).all())
        for key in taken:
            assert (back[key], stored[key]) == (sent[key], sent[key])

    round_trip()
    half = {"client_id": "half", "kind": "note", "shift": "A", "text": "\ud800"}
    assert program.post(address, {"entries": [half]}).status_code == 400  # RFC 8259, section 8.2


def test_what_a_form_takes_comes_back_sign_by_sign(app, session, people, cell, admin):
    app.config["WTF_CSRF_ENABLED"] = False
    fields = ("name", "machine", "part", "operation")

    @settings(max_examples=25, **FEW)
    @given(st.lists(WHOLE, min_size=4, max_size=4))
    def round_trip(texts):
        sent = dict(zip(fields, texts, strict=True)) | {"cycle_seconds": "30"}
        answer = admin.client.post(f"/cells/{cell.id}/edit", data=encoded(sent), content_type=FORM)
        session.rollback()
        session.expire_all()
        row = session.get(Cell, cell.id)
        stored = {field: getattr(row, field) for field in fields}
        if answer.status_code == 302:
            seen.append(stored)
            assert stored == {field: sent[field].strip() for field in fields}
        else:
            assert answer.status_code == 422

    seen = []
    round_trip()
    assert seen
