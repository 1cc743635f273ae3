"""Clients and their tokens: who answers for each, what a token opens, and when it ends."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select, text

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError, UnknownNameError
from trialog.records.clients import (
    add_client,
    all_clients,
    find_client,
    hand_over,
    issue_token,
    note_used,
    rename_client,
    require_scope,
    revoke_token,
    token_of,
)
from trialog.records.database import unit_of_work
from trialog.records.models import AuditEvent, Client, ClientToken
from trialog.records.people import change_person
from trialog.records.verify import verify
from trialog.records.words import Role, Scope

SECOND, DAY = timedelta(seconds=1), timedelta(days=1)


class Gate:
    """Where an admin lets clients in."""

    def __init__(self, session, people, now):
        self.session, self.people, self.now = session, people, now
        self.by = {"actor": people.admin, "now": now}

    def add(self, name="relay box", responsible=None, **options):
        with unit_of_work(self.session):
            person = responsible or self.people.engineer
            return add_client(self.session, name, person, **self.by | options)

    def issue(self, client, *scopes, **options):
        with unit_of_work(self.session):
            return issue_token(self.session, client, scopes or [Scope.READ], **self.by | options)

    def revoke(self, token, **options):
        with unit_of_work(self.session):
            revoke_token(self.session, token, **self.by | options)

    def knows(self, text, at=None):
        self.session.rollback()
        return token_of(self.session, text, now=at or self.now)

    def events(self, subject):
        self.session.rollback()
        found = select(AuditEvent).where(AuditEvent.subject == subject).order_by(AuditEvent.id)
        return self.session.scalars(found).all()


@pytest.fixture
def gate(session, people, now):
    return Gate(session, people, now)


def test_a_token_is_known_by_its_text_and_only_its_hash_is_kept(gate, session):
    token, said = gate.issue(gate.add(), Scope.LOG, Scope.READ)
    assert gate.knows(said) is token
    assert said.startswith(f"trialog_{token.hint}_")
    assert token.scopes == ["read", "log"]  # in one order, however they were named
    secret = said.removeprefix(f"trialog_{token.hint}_")
    assert len(secret) >= 43  # 32 random bytes
    kept = [
        repr(session.connection().execute(text(f"SELECT * FROM {table}")).all())  # noqa: S608
        for table in ("client", "client_token", "audit_event")
    ]
    assert [table for table in kept if secret in table] == []


@pytest.mark.parametrize("other", ["", "x", "trialog_00000000_", "\x00", "\ud800", "ä" * 10_000])
def test_another_text_is_no_token(gate, other):
    _, said = gate.issue(gate.add())
    assert gate.knows(other) is None
    assert gate.knows(said + other[:1]) is None or other == ""
    assert gate.knows(said.upper()) is None


def test_a_token_ends_after_a_year_or_when_it_says(gate, now):
    client = gate.add()
    usual, said = gate.issue(client)
    assert usual.expires_at == now + timedelta(days=365)
    _, short = gate.issue(client, life=DAY)
    assert gate.knows(short, now + DAY - SECOND) is not None
    assert gate.knows(short, now + DAY) is None
    assert gate.knows(said, now + DAY) is usual


@pytest.mark.parametrize("life", [timedelta(0), DAY - SECOND, timedelta(days=730) + SECOND, -DAY])
def test_no_token_lives_for_less_than_a_day_or_more_than_two_years(gate, life):
    client = gate.add()
    with pytest.raises(InvalidValueError, match=r"life must be between 1 and 730 days, got '"):
        gate.issue(client, life=life)
    assert gate.issue(client, life=timedelta(days=730))[0].expires_at


def test_a_renamed_client_keeps_its_tokens_and_the_audit_its_name_of_then(gate, session):
    client, by = gate.add(), gate.by
    _, said = gate.issue(client)
    before = client.name
    with unit_of_work(session):
        rename_client(session, client, f" {before} ", **by)  # that is no other name
        rename_client(session, client, "another", **by)
    assert gate.knows(said).client.name == "another"
    renamed = [event.details for event in gate.events("client") if event.action == "renamed"]
    assert renamed == [{"name": "another", "before": before}]
    gate.add("third")
    for name, error in (("\u202e", InvalidValueError), ("third", ConflictError)):
        with pytest.raises(error, match="name must"), unit_of_work(session):
            rename_client(session, client, name, **by)
    operator = by | {"actor": gate.people.operator}
    with pytest.raises(NotAllowedError), unit_of_work(session):
        rename_client(session, client, "box", **operator)
    assert verify(session) == []


def test_a_revoked_token_is_worth_nothing_and_revoking_again_changes_nothing(gate, now):
    client = gate.add()
    (token, said), (_, other) = gate.issue(client), gate.issue(client)
    gate.revoke(token)
    gate.revoke(token, now=now + DAY)
    assert gate.knows(said) is None
    assert gate.knows(other) is not None
    assert token.revoked_at == now
    assert [event.action for event in gate.events("token")] == ["issued", "issued", "revoked"]


def test_tokens_end_with_the_right_to_sign_in_of_who_answers_for_them(gate, people, now):
    client = gate.add()
    token, said = gate.issue(client, Scope.LOG)

    def change(**options):
        with unit_of_work(gate.session):
            change_person(
                gate.session, people.engineer,
                **{"role": Role.ENGINEER, "active": True, "pin": None} | gate.by | options,
            )  # fmt: skip

    change(active=False)
    assert gate.knows(said) is None
    change(role=Role.APPROVER)
    assert gate.knows(said) is token
    with pytest.raises(NotAllowedError, match="whoever answers for the client may not log cycles"):
        require_scope(token, Scope.LOG)
    with unit_of_work(gate.session):
        hand_over(gate.session, client, people.operator, **gate.by)
    require_scope(gate.knows(said), Scope.LOG)
    *_, handed = gate.events("client")
    assert handed.details == {
        "name": "relay box", "before": "Emil Engineer", "responsible": "Olga Operator",
    }  # fmt: skip


def test_a_token_opens_its_scopes_and_nothing_else(gate):
    token, _ = gate.issue(gate.add(), Scope.READ)
    require_scope(token, Scope.READ)
    for scope in set(Scope) - {Scope.READ}:
        with pytest.raises(NotAllowedError, match=f"the token lacks the scope '{scope}'"):
            require_scope(token, scope)


def test_no_token_opens_more_than_who_answers_for_it_may_do(gate, people):
    reader = gate.add(responsible=people.approver)
    for scope in (Scope.LOG, Scope.COUNT):
        with pytest.raises(InvalidValueError, match=r"no more than Anna Approver \(approver\) may"):
            gate.issue(reader, Scope.READ, scope)
    assert gate.issue(reader, Scope.READ, Scope.METRICS)


def test_a_token_names_its_scopes_once_each(gate):
    client = gate.add()
    with pytest.raises(InvalidValueError, match="scopes must name at least one of read, log"):
        issue_token(gate.session, client, [], **gate.by)
    with pytest.raises(InvalidValueError, match="scopes must name each scope once"):
        gate.issue(client, Scope.READ, Scope.READ)


def test_only_who_manages_clients_lets_them_in(gate, people, now):
    token, _ = gate.issue(client := gate.add())
    for person in (people.operator, people.engineer, people.approver):
        by = {"actor": person, "now": now}
        for deed in (
            lambda by=by: gate.add("another", **by),
            lambda by=by: gate.issue(client, **by),
            lambda by=by: gate.revoke(token, **by),
            lambda by=by: hand_over(gate.session, client, people.admin, **by),
        ):
            with pytest.raises(NotAllowedError, match="may not manage clients"):
                deed()
    assert gate.add("from the command line", actor=None).made_by_id is None


def test_a_client_has_a_name_of_its_own_and_somebody_who_may_sign_in(gate, people, session):
    gate.add()
    with pytest.raises(ConflictError, match="already a client 'relay box'"):
        gate.add(" relay box ")
    for name in ("", "  ", "x" * 121, "a\nb"):
        with pytest.raises(InvalidValueError, match="name must"):
            gate.add(name)
    people.operator.active = False
    session.commit()
    with pytest.raises(InvalidValueError, match="responsible must be somebody who may sign in"):
        gate.add("other", people.operator)


def test_clients_are_listed_by_name_and_found_by_it(gate, session, cell):
    later, first = gate.add("relay"), gate.add("dashboard", cell=cell.cell)
    gate.issue(later)
    assert [client.name for client in all_clients(session)] == ["dashboard", "relay"]
    assert (first.cell_id, later.cell_id) == (cell.id, None)
    assert find_client(session, "relay") is later
    with pytest.raises(UnknownNameError, match="did you mean 'relay'"):
        find_client(session, "relais")
    with pytest.raises(UnknownNameError):
        find_client(session, "\x00")


def test_use_is_noted_once_a_minute_and_needs_no_audit(gate, session, now):
    token, _ = gate.issue(gate.add())
    before = len(gate.events("token"))
    seen = []
    for seconds in (0, 59, 60, 61, 30):
        with unit_of_work(session):
            note_used(session, token.id, now=now + seconds * SECOND)
        session.expire_all()
        seen.append((session.get_one(ClientToken, token.id).last_used_at - now) / SECOND)
    assert seen == [0, 0, 60, 60, 60]
    assert len(gate.events("token")) == before
    assert verify(session) == []


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE client_token SET scopes = '[\"log\"]'",
        "UPDATE client_token SET expires_at = '2099-01-01 00:00:00+00'",
        "UPDATE client SET responsible_id = responsible_id + 1",
        "DELETE FROM client_token",
    ],
)
def test_a_right_that_somebody_gave_himself_in_the_database_is_found(gate, session, change):
    gate.issue(gate.add())
    assert verify(session) == []
    session.connection().execute(text(change))
    session.commit()
    assert len(verify(session)) == 1


def test_what_was_done_with_clients_is_told_by_name(gate, session, now):
    token, _ = gate.issue(gate.add(), life=DAY)
    (added,), (issued,) = gate.events("client"), gate.events("token")
    assert added.details == {"name": "relay box", "responsible": "Emil Engineer", "cell": None}
    assert issued.details == {
        "client": "relay box", "scopes": ["read"], "expires_at": (now + DAY).isoformat(),
    }  # fmt: skip
    assert issued.subject_id == token.id
    assert session.scalars(select(Client)).one().made_by_id == gate.people.admin.id
