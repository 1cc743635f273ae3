"""Every route says who may use it, and holds to it."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from trialog.records.people import Action, may
from trialog.records.words import Role, Scope
from trialog.web import security
from trialog.web.database import state
from trialog.web.security import PUBLIC, TABLETS, access_of

OPEN_TO_ALL = {
    "static", "plotly_js", "auth.login", "help.index", "help.page", "help.image",
    "help.schema",
    # Who watches the server has no name and no PIN.
    "health.index", "health.live", "health.ready",
    # It ends a session, so it must work for one that has just ended by itself.
    "auth.logout",
    # The tablet page is the same for everybody; whoever knows a code enrols.
    "logging.tablet", "logging.worker", "logging.manifest", "logging.part", "logging.texts",
    "logging.enrol",
    # What a tablet needs before it can sign anybody in.
    "trust.show", "trust.certificate",
    # What the API offers is no secret; what the records hold is.
    "api.reference", "api.openapi_json",
}  # fmt: skip
GIVEN = {"int": "1", "default": "x", "path": "x"}


def address(rule):
    """Return an address that a rule matches; nothing behind it needs to exist."""
    return re.sub(r"<(?:(\w+)(?:\([^)]*\))?:)?\w+>", lambda m: GIVEN[m[1] or "default"], rule.rule)


def routes(app):
    """Return every route guarded by a role once for each of its methods."""
    for rule in app.url_map.iter_rules():
        access = access_of(app.view_functions[rule.endpoint])
        if access not in (PUBLIC, TABLETS) and not isinstance(access, Scope):
            for method in sorted(rule.methods - {"HEAD", "OPTIONS"}):
                yield rule, method


def test_only_sign_in_static_files_health_and_help_are_open_to_all(app):
    views = app.view_functions
    assert {name for name in views if access_of(views[name]) == PUBLIC} == OPEN_TO_ALL


def test_every_other_route_asks_for_an_action(app):
    guarded = {rule.endpoint for rule, _ in routes(app)}
    assert guarded
    assert all(isinstance(access_of(app.view_functions[name]), Action) for name in guarded)


def test_nothing_but_their_own_api_is_open_to_tablets(app):
    rules = [
        rule.rule
        for rule in app.url_map.iter_rules()
        if access_of(app.view_functions[rule.endpoint]) == TABLETS
    ]
    assert rules
    assert all(rule.startswith("/api/tablet/") for rule in rules)


@pytest.mark.parametrize("who", ["stranger", "admin"])
def test_what_is_open_to_tablets_takes_their_key_and_no_cookie(app, people, request, who):
    app.config["WTF_CSRF_ENABLED"] = False
    visitor, leaks = request.getfixturevalue(who), []
    for rule in app.url_map.iter_rules():
        if access_of(app.view_functions[rule.endpoint]) == TABLETS:
            for method in rule.methods - {"HEAD", "OPTIONS"}:
                answer = visitor.client.open(address(rule), method=method)
                if answer.status_code != 401 or "not enrolled" not in answer.text:
                    leaks.append((method, rule.rule, answer.status_code))
    assert leaks == []


def scoped_routes(app):
    """Return every route for clients, with a method."""
    return [
        (rule, method)
        for rule in app.url_map.iter_rules()
        if isinstance(access_of(app.view_functions[rule.endpoint]), Scope)
        for method in rule.methods - {"HEAD", "OPTIONS"}
    ]


@pytest.mark.parametrize("who", ["stranger", "admin"])
def test_what_is_open_to_clients_takes_their_token_and_no_cookie(app, people, request, who):
    app.config["WTF_CSRF_ENABLED"] = False
    visitor = request.getfixturevalue(who)
    found = scoped_routes(app)
    assert found
    for rule, method in found:
        answer = visitor.client.open(address(rule), method=method)
        assert answer.status_code == 401, (method, rule.rule)
        assert answer.headers["WWW-Authenticate"] == 'Bearer realm="trialog"'


def test_a_route_that_does_not_say_who_may_use_it_stops_the_start(app):
    app.view_functions["forgotten"] = lambda: "secret"
    with pytest.raises(RuntimeError, match="forgotten"):
        security.require_marked(app)


def test_every_route_refuses_the_stranger(app, people, stranger):
    app.config["WTF_CSRF_ENABLED"] = False
    leaks = []
    for rule, method in routes(app):
        answer = stranger.client.open(address(rule), method=method)
        to_sign_in = answer.status_code == 302 and answer.location.startswith("/login?next=")
        if not (answer.status_code == 401 or (method == "GET" and to_sign_in)):
            leaks.append((method, rule.rule, answer.status_code))
    assert leaks == []


@pytest.mark.parametrize("role", list(Role))
def test_every_route_refuses_the_wrong_role_and_only_it(app, people, visitor_as, role):
    app.config["WTF_CSRF_ENABLED"] = False
    visitor, person = visitor_as(role), getattr(people, role.value)
    wrong = []
    for rule, method in routes(app):
        action = access_of(app.view_functions[rule.endpoint])
        status = visitor.client.open(address(rule), method=method).status_code
        refused = status in (401, 403)
        if refused == may(person, action):
            wrong.append((method, rule.rule, action.value, status))
    assert wrong == []


WITHOUT_COOKIE = ("/api/tablet/", "/api/v1/")
"""What takes a key or a token and no cookie, so that no other site can lend a browser's to it."""


def test_everything_that_changes_something_refuses_a_forged_request(app, people, admin):
    forged = []
    for rule in app.url_map.iter_rules():
        if rule.rule.startswith(WITHOUT_COOKIE):
            continue
        for method in rule.methods - {"GET", "HEAD", "OPTIONS"}:
            answer = admin.client.open(
                address(rule), method=method, data={"name": "x"},
                headers={"Accept": "application/json"},
            )  # fmt: skip
            if answer.status_code != 400 or answer.json["error"]["field"] != "csrf_token":
                forged.append((method, rule.rule, answer.status_code))
    assert forged == []


FOREIGN = (
    {"Origin": "https://elsewhere.example"},
    {"Origin": "null"},  # a page in a sandbox, or a file
    {"Origin": "http://localhost:81"},
    {"Origin": "http://localhost.elsewhere.example"},
    {"Origin": "http://["},
    {"Sec-Fetch-Site": "cross-site", "Origin": "http://localhost"},
    {"Sec-Fetch-Site": "same-site"},
)


@pytest.mark.parametrize("headers", FOREIGN, ids=str)
def test_nothing_is_taken_that_a_page_of_another_site_sends(app, people, admin, headers):
    """Also with everything else right: a token that leaked, a tablet's key, a program's."""
    app.config["WTF_CSRF_ENABLED"] = False
    app.config["RATELIMIT_ENABLED"] = False
    taken = []
    for rule in app.url_map.iter_rules():
        for method in rule.methods - {"GET", "HEAD", "OPTIONS"}:
            answer = admin.client.open(address(rule), method=method, headers=headers)
            refused = answer.status_code == 403 and "a page of another site" in answer.text
            if not refused and answer.status_code != 401:  # the tablets' own, without their key
                taken.append((method, rule.rule, answer.status_code))
    assert taken == []


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "http://localhost"},
        {"Sec-Fetch-Site": "same-origin", "Origin": "https://cells.shop.example"},
        {"Sec-Fetch-Site": "none"},
        {"Origin": "https://trialog.shop.example"},
    ],
    ids=str,
)
def test_what_our_own_pages_send_is_taken(app, admin, monkeypatch, headers):
    notices = replace(state(app).settings.notices, public_url="https://trialog.shop.example")
    settings = replace(state(app).settings, notices=notices)
    monkeypatch.setitem(app.extensions, "trialog", replace(state(app), settings=settings))
    answer = admin.post("/people/new", {"name": "N", "role": "operator", "pin": "4711"},
                        headers=headers)  # fmt: skip
    assert answer.location == "/people"


def test_a_program_without_sign_in_gets_the_error_form_instead_of_a_redirect(stranger, people):
    answer = stranger.get("/", headers={"Accept": "application/json"})
    assert answer.status_code == 401
    assert set(answer.json["error"]) == {"message", "field", "rule", "value"}


def test_who_is_refused_reads_what_the_role_may_not_do(operator):
    page = operator.get("/cells/new")
    assert page.status_code == 403
    assert "Olga Operator (operator) may not set up cells and trials" in page.text
    assert 'href="/"' in page.text
