"""The whole API against its own document, with requests that somebody else thinks up.

schemathesis makes requests that the document allows and such that it does not, and checks each
answer: no fault of the server, no status, media type, header or body that is not documented.
"""

from __future__ import annotations

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode
from support.populated import populate

from trialog.records.words import Scope
from trialog.web.api import access
from trialog.web.database import state

# What is asked of the records is tested on both databases elsewhere; here it is the door's turn.
pytestmark = pytest.mark.database("sqlite")


@pytest.fixture
def records(app, session, people, monkeypatch):
    # How often one may ask has a test of its own.
    monkeypatch.setattr(access, "BAD_TOKENS_PER_MINUTE", 1_000_000)
    state(app).settings.__dict__["api_limit"] = 1_000_000
    return populate(app, session, people)


def tried(app, records, headers, mode, *, examples, known=False):
    """Send made-up requests to every operation, check each answer, and return the statuses.

    `known`: variable parts of addresses lead to something; else they are made up as well.
    """
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", app)
    statuses = {}
    for found in schema.get_all_operations():
        operation = found.ok()
        parts = {one.name: records.parts[one.name] for one in operation.path_parameters}
        strategy = operation.as_strategy(
            generation_mode=mode, **({"path_parameters": parts} if known and parts else {})
        )
        if mode is GenerationMode.POSITIVE:
            strategy = strategy.map(made_sensible)
        statuses[operation.label] = send_all(strategy, headers, examples)
    return statuses


def made_sensible(case):
    """Give what no schema can say a value that is right: what is wrong has tests of its own."""
    for name, right in (("cursor", None), ("table", None), ("time_zone", "Europe/Berlin")):
        if (case.query or {}).pop(name, None) is not None and right is not None:
            case.query[name] = right
    (case.headers or {}).pop("If-Match", None)
    if case.media_type == "text/csv":
        case.body = "shift,cycle,time,outcome\nnew,1,2026-03-02T06:00:00Z,good\n"
    return case


def send_all(strategy, headers, examples):
    seen = set()

    @settings(
        max_examples=examples, deadline=None, derandomize=True, database=None,
        phases=[Phase.generate], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=strategy)
    def send(case):
        answer = case.call_and_validate(headers={"Accept-Encoding": "identity", **headers})
        seen.add(answer.status_code)

    send()
    return seen


def bearer(token):
    return {"Authorization": f"Bearer {token}"}


def test_what_the_document_allows_is_answered_as_it_says(app, records):
    headers = bearer(records.token)
    statuses = tried(app, records, headers, GenerationMode.POSITIVE, examples=8, known=True)
    assert {label for label, seen in statuses.items() if 200 not in seen} == set()


def test_addresses_that_lead_nowhere_are_answered_as_it_says(app, records):
    headers = bearer(records.token)
    tried(app, records, headers, GenerationMode.POSITIVE, examples=3)


def test_what_the_document_does_not_allow_is_refused_as_it_says(app, records):
    headers = bearer(records.token)
    statuses = tried(app, records, headers, GenerationMode.NEGATIVE, examples=8, known=True)
    assert 422 in statuses["POST /cells/{cell_id}/entries"]


@pytest.mark.parametrize("token", ["x", None], ids=["worthless", "none"])
def test_without_a_good_token_nothing_is_answered_but_that(app, records, token):
    headers = {} if token is None else bearer(token)
    statuses = tried(app, records, headers, GenerationMode.POSITIVE, examples=2)
    assert set().union(*statuses.values()) == {401}


def test_a_token_that_lacks_the_scope_is_told_so(app, records, session):
    statuses = tried(
        app, records, bearer(records.tokens[Scope.COUNT]), GenerationMode.POSITIVE, examples=2
    )
    others = {label: seen for label, seen in statuses.items() if "/counter" not in label}
    assert len(others) == len(statuses) - 1
    assert set().union(*others.values()) == {403}
