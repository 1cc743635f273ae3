"""Every route, tried by everybody: who may use it, who may not, and that looking changes nothing.

The table is written by hand and asks nothing of the application's own marks: roles for people,
tablets' keys, and for programs the scope that their token needs. A route that is not in it fails
the test, so whoever adds a route says here for whom it is.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime, timedelta
from functools import partial

import pytest
from sqlalchemy import select
from support.populated import populate

from trialog.records.base import Base
from trialog.records.models import Person
from trialog.records.words import Role, Scope
from trialog.web.api import access

# Who may get in or out has nothing to do with which database keeps the records.
pytestmark = pytest.mark.database("sqlite")

ALL = frozenset(Role)
LOGGERS = frozenset({Role.OPERATOR, Role.ENGINEER, Role.ADMIN})
ENGINEERS = frozenset({Role.ENGINEER, Role.ADMIN})
JUDGES = frozenset({Role.ENGINEER, Role.APPROVER, Role.ADMIN})
SIGNERS = frozenset({Role.ENGINEER, Role.APPROVER})
"""Those whom the requirement asks for a signature; nobody else signs, whatever the role."""
REVOKERS = frozenset({Role.APPROVER, Role.ADMIN})
"""Those who may take the approver's signature back: who made it, and admins."""
ADMINS = frozenset({Role.ADMIN})
ANYBODY = "anybody"
TABLETS = "tablets"

WHO = {
    ANYBODY: """static plotly_js auth.login auth.logout help.index help.page help.image
        health.index health.live health.ready
        logging.tablet logging.worker logging.manifest logging.part logging.texts logging.enrol
        trust.show trust.certificate help.schema api.reference api.openapi_json""",
    TABLETS: "logging.pack logging.sign_in logging.add_tablet_entries logging.add_photo",
    Scope.METRICS: "metrics.show",
    Scope.READ: """api.whoami api.list_cells api.show_cell api.list_requirements api.list_people
        api.list_shifts api.show_shift api.show_logbook api.list_entries
        api.list_trials api.show_trial api.show_verdict api.shift_report api.trial_report
        api.evidence_report api.cell_report api.fleet_report api.export_log""",
    Scope.LOG: "api.add_entries api.import_log",
    Scope.COUNT: "api.count_parts",
    ALL: """home.index readiness.cell readiness.fleet downloads.cell downloads.fleet
        kept.index kept.show kept.file
        planner.show planner.results setup.cell shifts.report downloads.shift
        shifts.file logging.photo logging.state trials.show downloads.trial
        trials.asset trials.export trials.list_failures trials.line
        trials.evidence downloads.evidence trials.ask_what_if
        trials.answer_what_if trials.signed_document_json""",
    LOGGERS: "logging.start logging.log logging.add_entries shifts.undo",
    ENGINEERS: """feeds.index
        setup.new_cell setup.edit_cell setup.new_device setup.edit_device setup.new_mode
        setup.edit_mode setup.new_requirement setup.edit_requirement setup.new_trial
        setup.edit_trial trials.next_trial shifts.rule shifts.correct_reading shifts.new_revision
        shifts.undo_revision trials.rule trials.undo trials.look_at_several
        trials.rule_on_several trials.import_file trials.check_import trials.confirm_import
        trials.drop_import trials.rejected_lines tablets.index tablets.new tablets.here
        tablets.end tablets.parked tablets.write tablets.leave""",
    JUDGES: "trials.acknowledge audit.index audit.csv audit.json",
    SIGNERS: "trials.sign trials.refuse",
    REVOKERS: "trials.revoke",
    ADMINS: """people.index people.new people.edit people.unlock notices.index notices.retry
        notices.test clients.index clients.new clients.issue clients.rename
        clients.responsible clients.revoke""",
}
ALLOWED = {endpoint: who for who, endpoints in WHO.items() for endpoint in endpoints.split()}

LOOKS = ("GET", "HEAD")
LOOKED = (200, 302)
SENT = (200, 302, 400, 404, 409, 415, 422)
PASSING = {"sign_in"}
"""Tables that signing out, which is open to everybody, may change."""

VOLATILE = {"tablet": {"seen_at"}, "client_token": {"last_used_at"}}
"""What a look may change: when a tablet was last heard of, and a token last used."""


@pytest.fixture
def records(app, session, people, monkeypatch):
    # Forged requests, and who tries too often, have tests of their own.
    monkeypatch.setattr(access, "BAD_TOKENS_PER_MINUTE", 1_000_000)
    app.config["WTF_CSRF_ENABLED"] = False
    return populate(app, session, people)


def test_every_route_says_here_for_whom_it_is(app):
    routes = {rule.endpoint for rule in app.url_map.iter_rules()}
    assert sorted(routes - ALLOWED.keys()) == [], "classify these in the table above"
    assert sorted(ALLOWED.keys() - routes) == [], "these are gone"
    assert sum(len(endpoints.split()) for endpoints in WHO.values()) == len(ALLOWED)


def routes(app, records, *, of=lambda _: True):
    """Return the routes of some, each with a method and an address; looking comes first."""
    found = [
        (rule.endpoint, method, records.address(rule))
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"OPTIONS"}
        if of(ALLOWED[rule.endpoint])
    ]
    return sorted(found, key=lambda route: (route[1] not in LOOKS, *route))


def is_for(role, who):
    return who == ANYBODY or (isinstance(who, frozenset) and role in who)


def is_for_programs(who):
    return who == TABLETS or isinstance(who, Scope)


def written(session):
    """Return a hash of each table's rows."""
    session.rollback()
    session.expire_all()
    return {
        table.name: hashlib.sha256(repr(rows(session, table)).encode()).hexdigest()
        for table in Base.metadata.sorted_tables
        if table.name not in PASSING
    }


def rows(session, table):
    columns = [one for one in table.columns if one.name not in VOLATILE.get(table.name, ())]
    return session.execute(select(*columns).order_by(*table.primary_key)).all()


def sends_to_sign_in(answer):
    return answer.status_code == 302 and answer.location.startswith("/login?next=")


def refuses_who_is_not_signed_in(answer, method):
    """Whether people are sent to sign in, and programs and forms are told to."""
    if method in LOOKS and not answer.request.path.startswith(("/api/", "/metrics")):
        return sends_to_sign_in(answer)
    return answer.status_code == 401


def lets_in(answer, method):
    """Whether an answer is that of a route which is open to whoever asks.

    What is sent holds nothing, so a form may come back with what is missing. Nothing here is
    served by HTTPS, so there is no authority to trust.
    """
    good = LOOKED if method in LOOKS else SENT
    if answer.request.path.startswith("/trust"):
        good = (404,)
    return answer.status_code in good and not sends_to_sign_in(answer)


def ask(visit, found, expect):
    """Try routes, and return those whose answer is not as expected."""
    wrong = []
    for endpoint, method, address in found:
        with visit(address, method=method) as answer:
            if not expect(answer, method):
                wrong.append((endpoint, method, address, answer.status_code))
    return wrong


@pytest.mark.parametrize("role", list(Role))
def test_a_role_gets_in_where_it_may_and_nowhere_else(app, session, records, visitor_as, role):
    visit = visitor_as(role).client.open
    before = written(session)
    barred = routes(app, records, of=lambda who: not is_for(role, who))
    assert ask(visit, barred, lambda answer, _: answer.status_code in (401, 403)) == []
    mine = routes(app, records, of=lambda who: is_for(role, who))
    looks = [route for route in mine if route[1] == "GET"]  # HEAD is GET without its body
    assert ask(visit, looks, lets_in) == []
    assert written(session) == before
    leaving = [route for route in mine if route[0] == "auth.logout"]
    rest = [route for route in mine if route[1] not in LOOKS and route not in leaving]
    assert ask(visit, [*rest, *leaving], lets_in) == []


METHODS = {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND"}


def test_no_route_knows_another_method_than_its_own_whoever_asks(app, session, records, admin):
    """What a route does not know is refused alike, and asking for what it knows writes nothing."""
    before, wrong = written(session), []
    known = {}
    for rule in app.url_map.iter_rules():
        known.setdefault(records.address(rule), set()).update(rule.methods)
    tablet = partial(records.tablet.client.open, headers=bearing(records.tablet.key))
    for visit in (admin.client.open, app.test_client().open, tablet, bearer(app, records.token)):
        for address, methods in known.items():
            for method in sorted(METHODS - methods):
                with visit(address, method=method) as answer:
                    if answer.status_code != 405:
                        wrong.append((method, address, answer.status_code))
            with visit(address, method="OPTIONS") as answer:
                if answer.status_code not in (200, 302, 401, 403):
                    wrong.append(("OPTIONS", address, answer.status_code))
    assert wrong == []
    assert written(session) == before


def test_who_is_not_signed_in_is_sent_to_sign_in(app, session, records, stranger):
    nothing_is_open(app, session, records, stranger.client.open)


def test_a_session_of_somebody_who_has_left_is_worth_nothing(app, session, records, visitor_as):
    visitor = visitor_as(Role.ADMIN)
    session.scalars(select(Person).where(Person.role == Role.ADMIN)).one().active = False
    session.commit()
    nothing_is_open(app, session, records, visitor.client.open)


def test_a_session_that_is_too_old_is_worth_nothing(app, session, people, records, stranger):
    stranger.sign_in(people.admin, at=datetime.now(UTC) - timedelta(hours=13))
    nothing_is_open(app, session, records, stranger.client.open)


def nothing_is_open(app, session, records, visit):
    before = written(session)
    barred = routes(app, records, of=lambda who: who != ANYBODY and not is_for_programs(who))
    assert ask(visit, barred, refuses_who_is_not_signed_in) == []
    programs = routes(app, records, of=is_for_programs)
    assert ask(visit, programs, lambda answer, _: answer.status_code == 401) == []
    public = routes(app, records, of=lambda who: who == ANYBODY)
    assert ask(visit, public, lets_in) == []
    assert written(session) == before


def test_a_tablets_key_opens_what_is_for_tablets_and_nothing_else(app, session, records):
    def visit(address, method):
        return records.tablet.open(method, address)

    before = written(session)
    barred = routes(app, records, of=lambda who: who not in (ANYBODY, TABLETS))
    assert ask(visit, barred, refuses_who_is_not_signed_in) == []
    own = routes(app, records, of=lambda who: who == TABLETS)
    assert ask(visit, own, lets_in) == []
    assert written(session) == before


def test_a_clients_token_opens_nothing_that_is_for_people_or_tablets(app, session, records):
    visit, before = bearer(app, records.token), written(session)
    barred = routes(app, records, of=lambda who: who != ANYBODY and not isinstance(who, Scope))
    assert ask(visit, barred, refuses_who_is_not_signed_in) == []
    assert written(session) == before


def test_a_token_opens_what_is_for_its_scopes_and_nothing_else(app, session, records):
    """Each scope has a token of its own here, and one token has them all."""
    tokens = {(scope,): text for scope, text in records.tokens.items()}
    assert tokens.keys() == {(scope,) for scope in Scope}
    for scopes, token in (tokens | {tuple(Scope): records.token}).items():
        visit, before = bearer(app, token), written(session)
        for scope in set(Scope).difference(scopes):
            lacking = routes(app, records, of=lambda who, scope=scope: who is scope)
            assert ask(visit, lacking, partial(says_what_it_lacks, scope)) == []
        own = routes(app, records, of=lambda who, scopes=scopes: who in scopes)
        looks = [route for route in own if route[1] in LOOKS]
        assert ask(visit, looks, lambda answer, _: answer.status_code == 200) == []
        assert written(session) == before
        assert ask(visit, own, lets_in) == []


def says_what_it_lacks(scope, answer, _method):
    """Whether a refusal names the scope that a token lacks (RFC 6750, section 3.1)."""
    told = f'Bearer realm="trialog", error="insufficient_scope", scope="{scope}"'
    return (answer.status_code, answer.headers.get("WWW-Authenticate")) == (403, told)


def bearer(app, token):
    client = app.test_client(use_cookies=False)
    return partial(client.open, headers=bearing(token))


def bearing(secret):
    return {"Authorization": f"Bearer {secret}"}


@pytest.mark.parametrize("kind", ["revoked_token", "expired_token"])
def test_a_token_that_was_revoked_or_has_expired_opens_nothing(app, session, records, kind):
    nothing_is_open(app, session, records, bearer(app, getattr(records, kind)))


def test_the_key_of_a_revoked_tablet_opens_nothing(app, session, records):
    def visit(address, method):
        return records.revoked.open(method, address)

    nothing_is_open(app, session, records, visit)
