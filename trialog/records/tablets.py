"""The tablets at the machines: let one log, know it by its key, end that, watch its clock."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import chain, count

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session, selectinload

from trialog.errors import ConflictError, InvalidValueError
from trialog.records.audit import record_event
from trialog.records.base import NAME_LIMIT
from trialog.records.entries import check_name, storable
from trialog.records.models import Cell, EnrolmentCode, ParkedLine, Person, Tablet
from trialog.records.people import Action, may, require
from trialog.records.secret_hashes import hash_of

ALPHABET = "3479ACDEFHJKMNPQRTWXY"
"""Signs of a code: none looks like another in any hand or font (no 0 O, 1 I L, 2 Z, 5 S, 8 B)."""

CODE_LENGTH = 8
CODE_LIFE = timedelta(minutes=15)
"""Long enough to walk to the machine; 21^8 codes cannot be guessed in it."""

KEY_BYTES = 32
CLOCK_JUMP_SECONDS = 60.0
"""A clock's drift over a week stays below this; somebody setting it does not."""

SEEN_EVERY = timedelta(minutes=1)
"""How exactly the list of tablets says when one was last seen."""


def make_code(
    session: Session, *, name: str, cell: Cell | None, actor: Person, now: datetime
) -> str:
    """Make a code that turns one browser into the tablet `name`: once, within 15 minutes.

    Only its hash is kept: the code itself is returned here and never again.

    Raises
    ------
    NotAllowedError
        If the actor may not enrol tablets.
    InvalidValueError
        If the name breaks its rule.
    ConflictError
        If a tablet that is in use has the name.
    """
    require(actor, Action.ENROL)
    name = check_name("name", name)
    in_use = select(Tablet.id).where(Tablet.name == name, Tablet.revoked_at.is_(None))
    if session.scalar(in_use) is not None:
        raise ConflictError(f"name must be new, but a tablet in use is called {name!r}")
    text = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
    code = EnrolmentCode(
        code_hash=hash_of(text),
        tablet_name=name,
        cell_id=None if cell is None else cell.id,
        made_by_id=actor.id,
        made_at=now,
        expires_at=now + CODE_LIFE,
    )
    session.add(code)
    session.flush()
    record_event(
        session, "made", "enrolment code", code.id,
        actor=actor, now=now, tablet=name, cell=None if cell is None else cell.name,
    )  # fmt: skip
    return text


def enrol(session: Session, code: str, *, now: datetime) -> tuple[Tablet, str]:
    """Make whoever holds a code a tablet, and return it with its key.

    Only the key's hash is kept: the key is returned here and never again. Blanks, hyphens and
    small letters in the code do not matter.

    Raises
    ------
    InvalidValueError
        If the code is none, was used, is too old, or whoever made it may not do so any longer.
    """
    made = _use_code(session, code, now)
    maker = None if made is None else session.get(Person, made.made_by_id)
    if made is None or maker is None or not may(maker, Action.ENROL):
        minutes = int(CODE_LIFE.total_seconds() // 60)
        raise InvalidValueError(
            "code", f"be one made in the last {minutes} minutes and not used yet", code
        )
    key = secrets.token_urlsafe(KEY_BYTES)
    tablet = Tablet(
        name=free_name(session, made.tablet_name),
        cell_id=made.cell_id,
        key_hash=hash_of(key),
        enrolled_at=now,
        enrolled_by_id=made.made_by_id,
        seen_at=now,
    )
    session.add(tablet)
    session.flush()
    record_event(
        session, "enrolled", "tablet", tablet.id,
        actor=maker, now=now, name=tablet.name, code=made.id,
    )  # fmt: skip
    return tablet, key


def _use_code(session: Session, code: str, now: datetime) -> EnrolmentCode | None:
    """Mark a code as used. Of two who try it at once the update lets one through."""
    text = "".join(code.split()).replace("-", "").upper()
    if len(text) != CODE_LENGTH or not set(text) <= set(ALPHABET):
        return None
    used = (
        update(EnrolmentCode)
        .where(
            EnrolmentCode.code_hash == hash_of(text),
            EnrolmentCode.used_at.is_(None),
            EnrolmentCode.expires_at > now,
        )
        .values(used_at=now)
        .returning(EnrolmentCode.id)
        .execution_options(synchronize_session=False)
    )
    found = session.scalar(used)
    return None if found is None else session.get_one(EnrolmentCode, found, populate_existing=True)


def free_name(session: Session, wanted: str) -> str:
    """Return a tablet's name that no tablet has or had: as wanted, else with a number."""
    numbered = (f"{wanted[: NAME_LIMIT - 6]} ({number})" for number in count(2))
    taken = select(Tablet.id)
    return next(
        name
        for name in chain((wanted,), numbered)
        if session.scalar(taken.where(Tablet.name == name)) is None
    )


def tablet_of_key(session: Session, key: str) -> Tablet | None:
    """Return the tablet of a key, unless it is revoked."""
    if not storable(key):
        return None
    known = select(Tablet).where(Tablet.key_hash == hash_of(key), Tablet.revoked_at.is_(None))
    return session.scalar(known)


def revoke(session: Session, tablet: Tablet, *, actor: Person, now: datetime) -> None:
    """End a tablet's right to log; what it logged stays. Revoking it again changes nothing.

    Raises
    ------
    NotAllowedError
        If the actor may not enrol tablets.
    """
    require(actor, Action.ENROL)
    session.refresh(tablet, with_for_update=True)
    if tablet.revoked_at is not None:
        return
    tablet.revoked_at = now
    record_event(session, "revoked", "tablet", tablet.id, actor=actor, now=now, name=tablet.name)


def was_seen_lately(tablet: Tablet, *, now: datetime) -> bool:
    """Say whether it was noted within the last minute that a tablet was here."""
    return tablet.seen_at is not None and now - tablet.seen_at < SEEN_EVERY


def note_clock(
    session: Session, tablet: Tablet, clock: datetime, *, page: str | None, now: datetime
) -> None:
    """Note how far a tablet's clock is ahead of the server's, and whether that jumped.

    `clock` is the tablet's own time as it sent its lines; `page` the version of its page.

    Raises
    ------
    InvalidValueError
        If the clock carries no zone, or the version is no name.
    """
    if clock.tzinfo is None:
        raise InvalidValueError("clock", "carry a time zone", clock.isoformat())
    version = None if page is None else check_name("page", page)
    ahead = round((clock - now).total_seconds(), 3)
    before = tablet.clock_ahead_seconds
    if before is not None and abs(ahead - before) > CLOCK_JUMP_SECONDS:
        tablet.clock_moved_at = now
        record_event(
            session, "clock moved", "tablet", tablet.id,
            actor=None, now=now, ahead_before=before, ahead=ahead,
        )  # fmt: skip
    tablet.clock_ahead_seconds, tablet.seen_at = ahead, now
    tablet.page_version = version or tablet.page_version


def all_tablets(session: Session) -> Sequence[Tablet]:
    """Return every tablet with its cell, by name, those that are revoked last."""
    order = (Tablet.revoked_at.is_not(None), Tablet.name)
    statement = select(Tablet).order_by(*order).options(selectinload(Tablet.cell))
    return session.scalars(statement).all()


def parked_counts(session: Session) -> dict[tuple[int, int], int]:
    """Return how many lines wait for an engineer, by tablet and cell."""
    columns = (ParkedLine.tablet_id, ParkedLine.cell_id)
    waiting = select(*columns, func.count()).where(ParkedLine.outcome.is_(None)).group_by(*columns)
    return {(tablet, cell): lines for tablet, cell, lines in session.execute(waiting)}
