"""People, their roles and their PINs."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from enum import StrEnum

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError, UnknownNameError
from trialog.records.audit import record_event
from trialog.records.entries import check_name, storable
from trialog.records.models import Person
from trialog.records.pins import forget_wrong_pins, hash_pin
from trialog.records.sign_ins import end_sign_ins
from trialog.records.words import Role


class Action(StrEnum):
    """What a role may or may not do."""

    READ = "read"
    LOG = "log cycles"
    CORRECT = "correct closed shifts"
    SET_UP = "set up cells and trials"
    IMPORT = "import logs"
    RULE = "rule on failures"
    REVISE = "record revisions"
    ACKNOWLEDGE = "acknowledge cautions and patterns"
    SIGN = "sign off"
    ENROL = "enrol tablets"
    AUDIT = "read the audit"
    MANAGE_PEOPLE = "manage people"
    NOTIFY = "see to notices"
    MANAGE_CLIENTS = "manage clients"


_ENGINEERING = {
    Action.READ,
    Action.LOG,
    Action.CORRECT,
    Action.SET_UP,
    Action.IMPORT,
    Action.RULE,
    Action.REVISE,
    Action.ACKNOWLEDGE,
    Action.ENROL,
    Action.SIGN,
    Action.AUDIT,
}
SIGNING_ROLES = (Role.ENGINEER, Role.APPROVER, Role.ADMIN)
"""Roles that a requirement may ask a signature of; who only logs does not judge the log."""

_ALLOWED: dict[Role, set[Action]] = {
    Role.OPERATOR: {Action.READ, Action.LOG},
    Role.ENGINEER: _ENGINEERING,
    Role.APPROVER: {Action.READ, Action.ACKNOWLEDGE, Action.SIGN, Action.AUDIT},
    Role.ADMIN: _ENGINEERING | {Action.NOTIFY, Action.MANAGE_PEOPLE, Action.MANAGE_CLIENTS},
}


def may(person: Person, action: Action) -> bool:
    """Say whether a person's role allows an action."""
    return person.active and action in _ALLOWED[person.role]


def role_may(person: Person, action: Action) -> bool:
    """Say whether a person's role allows an action, whether or not they may still sign in."""
    return action in _ALLOWED[person.role]


def require(person: Person, action: Action) -> None:
    """Raise NotAllowedError where a person's role does not allow an action."""
    if not may(person, action):
        raise NotAllowedError(f"{person.name} ({person.role}) may not {action}")


def check_sign_roles(roles: Sequence[Role]) -> list[str]:
    """Return the roles that a sign-off needs as they are stored, in one order.

    Raises
    ------
    InvalidValueError
        If there is none, one stands twice, or one does not sign.
    """
    listed = [str(role) for role in roles]
    allowed = ", ".join(SIGNING_ROLES)
    if not roles:
        raise InvalidValueError("sign_roles", f"name at least one of {allowed}", listed)
    if len(set(roles)) < len(roles):
        raise InvalidValueError("sign_roles", "name each role once", listed)
    if not set(roles) <= set(SIGNING_ROLES):
        raise InvalidValueError("sign_roles", f"be among {allowed}", listed)
    return [role.value for role in SIGNING_ROLES if role in roles]


def add_person(
    session: Session,
    name: str,
    role: Role,
    pin: str,
    *,
    actor: Person | None,
    now: datetime,
) -> Person:
    """Add a person. `actor` empty: from the command line, whose user owns the database.

    Raises
    ------
    InvalidValueError
        If the name or the PIN breaks its rule.
    ConflictError
        If somebody has the name already.
    """
    name = check_name("name", name)
    if session.scalar(select(Person.id).where(Person.name == name)) is not None:
        raise ConflictError(f"name must be new, but there is already a person {name!r}")
    person = Person(name=name, role=role, pin_hash=hash_pin(pin), active=True, created_at=now)
    session.add(person)
    session.flush()
    record_event(session, "added", "person", person.id, actor=actor, now=now, name=name, role=role)
    return person


def change_person(
    session: Session,
    person: Person,
    *,
    role: Role,
    active: bool,
    pin: str | None,
    actor: Person | None,
    now: datetime,
) -> None:
    """Change a person's role, PIN (empty: as it is) or whether they may sign in.

    Any of these ends the person's sign-ins; a new PIN also ends all waits after wrong ones.

    Raises
    ------
    ConflictError
        If nobody would be left who may manage people.
    """
    if not (role is Role.ADMIN and active):
        _require_other_admin(session, person)
    if pin:
        person.pin_hash = hash_pin(pin)
        forget_wrong_pins(session, person)
    if pin or not active or role is not person.role:
        end_sign_ins(session, person)
    person.role, person.active = role, active
    record_event(
        session, "changed", "person", person.id,
        actor=actor, now=now, role=role, active=active, pin_changed=bool(pin),
    )  # fmt: skip


def _require_other_admin(session: Session, person: Person) -> None:
    admins = select(Person.id).where(Person.role == Role.ADMIN, Person.active)
    ids = set(session.scalars(admins))
    if ids == {person.id}:
        raise ConflictError(f"{person.name} is the only admin left; make another one first")


def find_person(session: Session, name: str) -> Person:
    """Return the person of a name, or raise UnknownNameError."""
    known = select(Person).where(Person.name == name.strip())
    person = session.scalar(known) if storable(name) else None
    if person is None:
        raise UnknownNameError("person", "be a known person", name)
    return person


def unlock(session: Session, person: Person, *, actor: Person, now: datetime) -> None:
    """End all waits after wrong PINs; the PIN stays.

    Raises
    ------
    NotAllowedError
        If the actor may not manage people.
    """
    require(actor, Action.MANAGE_PEOPLE)
    forget_wrong_pins(session, person)
    record_event(session, "unlocked", "person", person.id, actor=actor, now=now)
