"""PINs: kept as slow hashes, and guessed slowly wherever somebody tries.

Wrong PINs are held against the person *and the place*, so that whoever guesses locks nobody out
but at the place where the guessing goes on: the scheme of device cookies (OWASP, "Slow Down Online
Guessing Attacks with Device Cookies", owasp.org). A place is a tablet, a browser that this person
has signed in from before, or anywhere else; all of anywhere else is one place.

What is held against a place is let go by time alone, one try a day. A right PIN lets nothing go:
else whoever shares a computer with a colleague would get fresh tries each time that one signs in.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import pairwise

from argon2 import PasswordHasher
from argon2.exceptions import VerificationError
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.records.audit import record_event
from trialog.records.entries import storable
from trialog.records.models import Person, WrongPins

SHORTEST_PIN = 4
LONGEST_PIN = 64

ANYWHERE_ELSE = "anywhere else"
TRIES = 5
"""Wrong PINs at one place before the first wait; common practice, no source."""

FIRST_WAIT = timedelta(minutes=5)
LONGEST_WAIT = timedelta(days=1)
LET_GO = timedelta(days=1)
"""One wrong PIN is let go in this time, so that in the long run this is what a guess costs."""

_hasher = PasswordHasher()


def tablet_place(tablet_id: int) -> str:
    """Return the place that a tablet is."""
    return f"tablet {tablet_id}"


def browser_place(mark: str) -> str:
    """Return the place that a browser is which somebody has signed in from before."""
    return f"browser {mark}"


def check_pin(
    session: Session, name: str, pin: str, *, place: str = ANYWHERE_ELSE, now: datetime
) -> Person | None:
    """Return the active person whose PIN this is, else None.

    Must run in a unit of work that is committed also when the answer is None, so that tries
    count; the person's row is locked, so that of tries made at once each counts. Every answer
    takes a hash's time but that of a place which has to wait, where no PIN is looked at.
    """
    if not storable(name + pin):
        name = ""  # nobody's
    statement = select(Person).where(Person.name == name.strip()).with_for_update()
    person = session.scalar(statement)
    if person is None or not person.active:
        _hasher.hash(pin.encode(errors="replace"))
        return None
    held = _held(session, person, place)
    if held is not None and held.wait_until is not None and now < held.wait_until:
        return None
    if _matches(person, pin):
        return person
    _hold(session, person, place, held, now)
    return None


def _held(session: Session, person: Person, place: str) -> WrongPins | None:
    here = select(WrongPins).where(WrongPins.person_id == person.id, WrongPins.place == place)
    return session.scalar(here)


def _hold(
    session: Session, person: Person, place: str, held: WrongPins | None, now: datetime
) -> None:
    """Hold one more wrong PIN against a place."""
    if held is None:
        held = WrongPins(person_id=person.id, place=place, total=0, held=0.0, last_at=now)
        session.add(held)
    gone = max((now - held.last_at) / LET_GO, 0.0)  # a clock that is set back lets nothing go
    held.held = max(held.held - gone, 0.0) + 1
    held.total, held.last_at = held.total + 1, max(now, held.last_at)
    wait = wait_after(held.held)
    if not wait:
        return
    held.wait_until = now + wait
    record_event(
        session, "locked", "person", person.id, actor=None, now=now,
        place=place, tries=held.total, minutes=round(wait.total_seconds() / 60),
    )  # fmt: skip


def wait_after(held: float) -> timedelta:
    """Return how long a place waits which so many wrong PINs are held against."""
    beyond = round(held) - TRIES
    if beyond < 0:
        return timedelta(0)
    doubled: int = 2 ** min(beyond, 20)
    return min(FIRST_WAIT * doubled, LONGEST_WAIT)


def waits_until(session: Session, name: str, place: str, *, now: datetime) -> datetime | None:
    """Return until when no PIN is looked at for a name at a place, or None."""
    if not storable(name):
        return None
    known = select(WrongPins.wait_until).join(Person, Person.id == WrongPins.person_id)
    until = session.scalar(known.where(Person.name == name.strip(), WrongPins.place == place))
    return until if until is not None and now < until else None


def wrong_pins(session: Session, person: Person) -> Sequence[WrongPins]:
    """Return where wrong PINs were typed for a person, the newest first."""
    of_person = select(WrongPins).where(WrongPins.person_id == person.id)
    return session.scalars(of_person.order_by(WrongPins.last_at.desc(), WrongPins.id)).all()


def forget_wrong_pins(session: Session, person: Person) -> None:
    """Let a person sign in everywhere without waiting."""
    session.execute(delete(WrongPins).where(WrongPins.person_id == person.id))


def _matches(person: Person, pin: str) -> bool:
    try:
        return _hasher.verify(person.pin_hash, pin)
    except VerificationError:
        return False


def hash_pin(pin: str) -> str:
    """Return what is kept of a PIN.

    Raises
    ------
    InvalidValueError
        If it is too short or too long, or of those that are tried first.
    """
    rule = _broken_rule(pin)
    if rule is not None:
        # The value stays out of the message: it is a secret.
        raise InvalidValueError("PIN", rule, "•" * len(pin))
    return _hasher.hash(pin)


def _broken_rule(pin: str) -> str | None:
    """Return the rule that a new PIN breaks; PINs that were set before a rule was stay good."""
    if not SHORTEST_PIN <= len(pin) <= LONGEST_PIN:
        return f"have {SHORTEST_PIN} to {LONGEST_PIN} characters"
    steps = {ord(after) - ord(before) for before, after in pairwise(pin)}
    if steps == {0}:
        return "not be one sign over and over, such as 1111"
    if steps in ({1}, {-1}):
        return "not be a run up or down, such as 1234 or 9876"
    if pin[2:] == pin[:-2]:
        return "not be one pair over and over, such as 1212"
    return None
