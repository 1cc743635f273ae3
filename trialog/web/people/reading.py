"""Reads of the people that the pages need."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from logging import WARNING

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import Person, WrongPins
from trialog.records.pins import ANYWHERE_ELSE, tablet_place, wrong_pins
from trialog.records.tablets import all_tablets
from trialog.web.journal.events import note_event


def active_people(session: Session) -> Sequence[Person]:
    """Return everybody who may sign in, by name."""
    return session.scalars(select(Person).where(Person.active).order_by(Person.name)).all()


def all_people(session: Session) -> Sequence[Person]:
    """Return everybody, by name, those who may no longer sign in last."""
    return session.scalars(select(Person).order_by(Person.active.desc(), Person.name)).all()


def note_refused(session: Session, name: str, *, locked: bool) -> None:
    """Note a sign-in that was refused in the server's log: whose, if the name is anybody's."""
    number = session.scalar(select(Person.id).where(Person.name == name))
    why = "locked" if locked else "wrong PIN"
    note_event("sign-in refused", level=WARNING, person=number, why=why)


@dataclass(frozen=True)
class Guessed:
    """Wrong PINs typed for somebody at one place, which is named as people call it."""

    place: str
    pins: WrongPins


def guesses(session: Session, person: Person) -> list[Guessed]:
    """Return where wrong PINs were typed for a person, the newest first."""
    names = {tablet_place(tablet.id): tablet.name for tablet in all_tablets(session)}
    return [Guessed(_place(pins.place, names), pins) for pins in wrong_pins(session, person)]


def _place(place: str, names: Mapping[str, str]) -> str:
    if place == ANYWHERE_ELSE:
        return "anywhere else"
    named = names.get(place)
    return "a browser they had signed in from" if named is None else f"the tablet {named}"


def waiting(session: Session, *, now: datetime) -> dict[int, datetime]:
    """Return whose sign-in has to wait somewhere after wrong PINs, and until when."""
    still = select(WrongPins).where(WrongPins.wait_until > now).order_by(WrongPins.wait_until)
    return {pins.person_id: pins.wait_until or now for pins in session.scalars(still)}
