"""The programs that talk to trialog: who answers for each, and the tokens that let it in."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import or_, select, update
from sqlalchemy.orm import Session, joinedload, selectinload

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError
from trialog.records.audit import record_event
from trialog.records.entries import check_name, storable
from trialog.records.models import Cell, Client, ClientToken, Person
from trialog.records.people import Action, may, require, role_may
from trialog.records.queries import unknown_name
from trialog.records.secret_hashes import hash_of
from trialog.records.words import Scope

USUAL_LIFE = timedelta(days=365)
LONGEST_LIFE = timedelta(days=730)
"""A token that nobody has had to think of for two years has been forgotten somewhere."""

USED_EVERY = timedelta(minutes=1)
"""How exactly the list of clients says when a token was last used."""

PREFIX = "trialog"
"""What every token begins with, so that one which got into a file or a chat is found there."""

HINT_BYTES, SECRET_BYTES = 4, 32

ACTIONS: dict[Scope, Action] = {
    Scope.READ: Action.READ,
    Scope.LOG: Action.LOG,
    Scope.COUNT: Action.LOG,
    Scope.METRICS: Action.READ,
}
"""What whoever answers for a client must be allowed to do, for each scope."""


def add_client(
    session: Session,
    name: str,
    responsible: Person,
    *,
    cell: Cell | None = None,
    actor: Person | None,
    now: datetime,
) -> Client:
    """Add a client. `cell`: the one that it is for. `actor` empty: from the command line.

    Raises
    ------
    NotAllowedError
        If the actor may not manage clients.
    InvalidValueError
        If the name breaks its rule, or the person responsible may no longer sign in.
    ConflictError
        If another client has the name.
    """
    _require_manager(actor)
    name = _free_name(session, name)
    _check_active(responsible)
    client = Client(
        name=name,
        responsible_id=responsible.id,
        cell_id=None if cell is None else cell.id,
        made_at=now,
        made_by_id=None if actor is None else actor.id,
    )
    session.add(client)
    session.flush()
    record_event(
        session, "added", "client", client.id,
        actor=actor, now=now, name=name, responsible=responsible.name,
        cell=None if cell is None else cell.name,
    )  # fmt: skip
    return client


def rename_client(
    session: Session, client: Client, name: str, *, actor: Person | None, now: datetime
) -> None:
    """Give a client another name; its tokens stay. What is on record keeps the name it had.

    Raises
    ------
    NotAllowedError
        If the actor may not manage clients.
    InvalidValueError
        If the name breaks its rule.
    ConflictError
        If another client has it.
    """
    _require_manager(actor)
    before = client.name
    if name.strip() == before:
        return
    client.name = _free_name(session, name)
    session.flush()
    record_event(
        session, "renamed", "client", client.id,
        actor=actor, now=now, name=client.name, before=before,
    )  # fmt: skip


def _free_name(session: Session, name: str) -> str:
    name = check_name("name", name)
    if session.scalar(select(Client.id).where(Client.name == name)) is not None:
        raise ConflictError(f"name must be new, but there is already a client {name!r}")
    return name


def hand_over(
    session: Session, client: Client, responsible: Person, *, actor: Person | None, now: datetime
) -> None:
    """Let somebody else answer for a client; its tokens stay.

    Raises
    ------
    NotAllowedError
        If the actor may not manage clients.
    InvalidValueError
        If the person may no longer sign in.
    """
    _require_manager(actor)
    _check_active(responsible)
    before = client.responsible.name
    client.responsible_id = responsible.id
    record_event(
        session, "handed over", "client", client.id,
        actor=actor, now=now, name=client.name, before=before, responsible=responsible.name,
    )  # fmt: skip


def issue_token(
    session: Session,
    client: Client,
    scopes: Sequence[Scope],
    *,
    life: timedelta = USUAL_LIFE,
    actor: Person | None,
    now: datetime,
) -> tuple[ClientToken, str]:
    """Make a token for a client, and return it with its text.

    Only the text's hash is kept: the text is returned here and never again.

    Raises
    ------
    NotAllowedError
        If the actor may not manage clients.
    InvalidValueError
        If no scope is named, one is named twice, one is more than whoever answers for the
        client may do, or the token is to live for less than a day or more than two years.
    """
    _require_manager(actor)
    words = _check_scopes(client, scopes)
    if not timedelta(days=1) <= life <= LONGEST_LIFE:
        rule = f"be between 1 and {LONGEST_LIFE.days} days"
        raise InvalidValueError("life", rule, f"{life.total_seconds() / 86400:g} days")
    hint = secrets.token_hex(HINT_BYTES)
    text = f"{PREFIX}_{hint}_{secrets.token_urlsafe(SECRET_BYTES)}"
    token = ClientToken(
        client_id=client.id,
        hint=hint,
        token_hash=hash_of(text),
        scopes=words,
        made_at=now,
        made_by_id=None if actor is None else actor.id,
        expires_at=now + life,
    )
    session.add(token)
    session.flush()
    record_event(
        session, "issued", "token", token.id,
        actor=actor, now=now, client=client.name, scopes=words,
        expires_at=token.expires_at.isoformat(),
    )  # fmt: skip
    return token, text


def _check_scopes(client: Client, scopes: Sequence[Scope]) -> list[str]:
    listed = [scope.value for scope in scopes]
    if not scopes:
        known = ", ".join(Scope)
        raise InvalidValueError("scopes", f"name at least one of {known}", listed)
    if len(set(scopes)) < len(scopes):
        raise InvalidValueError("scopes", "name each scope once", listed)
    person = client.responsible
    for scope in scopes:
        if not role_may(person, ACTIONS[scope]):
            rule = f"be no more than {person.name} ({person.role}) may do"
            raise InvalidValueError("scopes", rule, scope.value)
    return [scope.value for scope in Scope if scope in scopes]


def revoke_token(
    session: Session, token: ClientToken, *, actor: Person | None, now: datetime
) -> None:
    """End a token; what came with it stays. Revoking it again changes nothing.

    Raises
    ------
    NotAllowedError
        If the actor may not manage clients.
    """
    _require_manager(actor)
    session.refresh(token, with_for_update=True)
    if token.revoked_at is not None:
        return
    token.revoked_at = now
    record_event(
        session, "revoked", "token", token.id, actor=actor, now=now, client=token.client.name
    )


def token_of(session: Session, text: str, *, now: datetime) -> ClientToken | None:
    """Return the token of a text, unless it is revoked or expired, or nobody answers for it."""
    if not storable(text):
        return None
    known = (
        select(ClientToken)
        .where(ClientToken.token_hash == hash_of(text))
        .options(joinedload(ClientToken.client).joinedload(Client.responsible))
    )
    token = session.scalar(known)
    if token is None or not is_valid(token, now=now):
        return None
    return token if token.client.responsible.active else None


def is_valid(token: ClientToken, *, now: datetime) -> bool:
    """Say whether a token is neither revoked nor expired."""
    return token.revoked_at is None and now < token.expires_at


def require_scope(token: ClientToken, scope: Scope) -> None:
    """Check that a token opens a scope, and whoever answers for its client may do as much.

    Raises
    ------
    NotAllowedError
        If not.
    """
    if scope not in token.scopes:
        raise NotAllowedError(f"the token lacks the scope {scope.value!r}")
    if not may(token.client.responsible, ACTIONS[scope]):
        raise NotAllowedError(f"whoever answers for the client may not {ACTIONS[scope]}")


def was_used_lately(token: ClientToken, *, now: datetime) -> bool:
    """Say whether it was noted within the last minute that a token was used."""
    return token.last_used_at is not None and now - token.last_used_at < USED_EVERY


def note_used(session: Session, token_id: int, *, now: datetime) -> None:
    """Note that a token is used, unless another request has done so in the last minute."""
    lately = or_(ClientToken.last_used_at.is_(None), ClientToken.last_used_at <= now - USED_EVERY)
    session.execute(
        update(ClientToken)
        .where(ClientToken.id == token_id, lately)
        .values(last_used_at=now)
        .execution_options(synchronize_session=False)
    )


def all_clients(session: Session) -> Sequence[Client]:
    """Return every client with its tokens and who answers for it, by name."""
    statement = select(Client).order_by(Client.name)
    about = (
        selectinload(Client.tokens),
        selectinload(Client.responsible),
        selectinload(Client.cell),
    )
    return session.scalars(statement.options(*about)).all()


def find_client(session: Session, name: str) -> Client:
    """Return the client of a name, or raise UnknownNameError."""
    known = select(Client).where(Client.name == name)
    client = session.scalar(known) if storable(name) else None
    if client is None:
        raise unknown_name("client", name, session.scalars(select(Client.name)).all())
    return client


def _require_manager(actor: Person | None) -> None:
    if actor is not None:
        require(actor, Action.MANAGE_CLIENTS)


def _check_active(person: Person) -> None:
    if not person.active:
        raise InvalidValueError("responsible", "be somebody who may sign in", person.name)
