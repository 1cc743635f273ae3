"""PINs, and how slowly they can be guessed without locking anybody out elsewhere."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import select
from support.hashing import AS_SHIPPED

from trialog.errors import NotAllowedError
from trialog.records import pins
from trialog.records.database import unit_of_work
from trialog.records.models import AuditEvent, WrongPins
from trialog.records.people import add_person, change_person, unlock
from trialog.records.pins import (
    ANYWHERE_ELSE,
    FIRST_WAIT,
    LONGEST_WAIT,
    TRIES,
    browser_place,
    check_pin,
    tablet_place,
    wait_after,
    waits_until,
    wrong_pins,
)
from trialog.records.words import Role

NAME, PIN, WRONG = "Olga Operator", "1111", "9999"
TABLET, BROWSER = tablet_place(7), browser_place("a mark")
DAY = timedelta(days=1)


def sign_in(session, name, pin, now, place=ANYWHERE_ELSE):
    """Check a PIN as a view does: in a unit of work that is committed."""
    with unit_of_work(session):
        person = check_pin(session, name, pin, place=place, now=now)
        return None if person is None else person.name


def lock(session, now, place=ANYWHERE_ELSE):
    for _ in range(TRIES):
        assert sign_in(session, NAME, WRONG, now, place) is None


def guess_until(session, now, end, place=ANYWHERE_ELSE):
    """Guess as often as the waits allow, and return how often a PIN was looked at."""
    looked = 0
    while now < end:
        sign_in(session, NAME, WRONG, now, place)
        looked += 1
        now = waits_until(session, NAME, place, now=now) or now
    return looked


@pytest.fixture
def quick(monkeypatch):
    """Take a hash's time out: what is counted does not depend on it."""
    monkeypatch.setattr(pins, "_matches", lambda _person, pin: pin == PIN)


def test_a_person_signs_in_with_the_pin(session, people, now):
    assert sign_in(session, NAME, PIN, now) == NAME
    assert sign_in(session, "  Olga Operator ", PIN, now) == NAME


@pytest.mark.parametrize(
    ("name", "pin"),
    [
        (NAME, "2222"),
        (NAME, ""),
        ("Nobody", PIN),
        ("olga operator", PIN),
        ("Olga\x00Operator", PIN),
        (NAME, "11\x0011"),
        (NAME, "\ud83d"),
        ("\ud83d", PIN),
        ("' OR 1=1 --", PIN),
    ],
)
def test_nobody_else_signs_in(session, people, now, name, pin):
    assert sign_in(session, name, pin, now) is None


def test_somebody_inactive_does_not_sign_in(session, people, now):
    people.operator.active = False
    session.commit()
    assert sign_in(session, NAME, PIN, now) is None


def test_a_pin_is_stored_as_a_hash_only(session, now):
    person = add_person(session, "Nora New", Role.OPERATOR, "sesame", actor=None, now=now)
    assert person.pin_hash.startswith("$argon2id$")
    assert "sesame" not in person.pin_hash
    session.flush()
    assert "sesame" not in str([event.details for event in session.scalars(select(AuditEvent))])


def test_a_shop_hashes_as_slowly_as_is_advised_at_least():
    # OWASP, "Password Storage Cheat Sheet" (owasp.org), from memory: Argon2id with at least
    # 19 MiB, two passes and one thread. The other tests hash more weakly, to be done sooner.
    asked = AS_SHIPPED.hash("1111").split("$")
    assert asked[1] == "argon2id"
    cost = dict(part.split("=") for part in asked[3].split(","))
    assert int(cost["m"]) >= 19 * 1024
    assert int(cost["t"]) >= 2
    assert int(cost["p"]) >= 1


@pytest.mark.parametrize(
    ("name", "pin"),
    [
        (NAME, PIN),
        (NAME, WRONG),
        ("Nobody", PIN),
        ("Left", PIN),
        ("nul\x00", PIN),
        (NAME, "\ud83d"),
    ],
)
@pytest.mark.database("sqlite")
def test_every_answer_takes_one_hash_so_that_no_name_can_be_told(
    session, people, now, monkeypatch, *, name, pin
):
    people.approver.name, people.approver.active = "Left", False
    session.commit()
    hashed = []
    real = pins._hasher
    counting = type("Counting", (), {
        "hash": lambda _self, pin: hashed.append("hash") or real.hash(pin),
        "verify": lambda _self, kept, pin: hashed.append("verify") or real.verify(kept, pin),
    })  # fmt: skip
    monkeypatch.setattr(pins, "_hasher", counting())
    sign_in(session, name, pin, now)
    assert len(hashed) == 1


# Places


@pytest.mark.parametrize("locked", [ANYWHERE_ELSE, TABLET, BROWSER])
def test_wrong_pins_lock_the_place_where_they_were_typed_and_no_other(
    session, people, now, quick, locked
):
    lock(session, now, locked)
    assert sign_in(session, NAME, PIN, now, locked) is None
    for place in {ANYWHERE_ELSE, TABLET, BROWSER, tablet_place(8)} - {locked}:
        assert sign_in(session, NAME, PIN, now, place) == NAME


def test_a_lock_is_one_persons_only(session, people, now):
    lock(session, now)
    assert sign_in(session, "Emil Engineer", "2222", now) == "Emil Engineer"


def test_a_lock_is_told_in_the_audit_with_its_place(session, people, now, quick):
    lock(session, now, TABLET)
    locked = session.scalars(select(AuditEvent).where(AuditEvent.action == "locked")).one()
    assert locked.subject_id == people.operator.id
    assert locked.details == {"place": "tablet 7", "tries": TRIES, "minutes": 5}


def test_the_first_wait_is_five_minutes_and_each_wrong_pin_after_it_doubles_the_wait(
    session, people, now, quick
):
    lock(session, now)
    assert waits_until(session, NAME, ANYWHERE_ELSE, now=now) == now + FIRST_WAIT
    assert sign_in(session, NAME, PIN, now + FIRST_WAIT - timedelta(seconds=1)) is None
    for doubled in (2, 4, 8):
        now = waits_until(session, NAME, ANYWHERE_ELSE, now=now)
        assert sign_in(session, NAME, WRONG, now) is None
        assert waits_until(session, NAME, ANYWHERE_ELSE, now=now) == now + FIRST_WAIT * doubled
    assert sign_in(session, NAME, PIN, now + FIRST_WAIT * 8) == NAME


def test_a_wait_is_never_longer_than_a_day():
    assert [wait_after(held) for held in (0, 4.4, 4.6, 13, 14, 1e6)] == [
        timedelta(0), timedelta(0), FIRST_WAIT, FIRST_WAIT * 256, LONGEST_WAIT, LONGEST_WAIT,
    ]  # fmt: skip


@pytest.mark.parametrize(("days", "most"), [(1, 15), (30, 45), (90, 105)])
@pytest.mark.database("sqlite")  # the arithmetic is the same
def test_how_often_a_pin_can_be_guessed_at_one_place(session, people, now, quick, *, days, most):
    """The help page on security works the odds out from these."""
    looked = guess_until(session, now, now + days * DAY)
    assert most - 5 <= looked <= most


@pytest.mark.database("sqlite")
def test_a_colleague_who_signs_in_at_a_shared_computer_gives_no_fresh_tries(
    session, people, now, quick
):
    """Somebody guesses four times each time that its owner has just signed in."""
    wrong = 0
    for twice_a_day in range(60):
        moment = now + twice_a_day * DAY / 2
        sign_in(session, NAME, PIN, moment, BROWSER)
        for _ in range(TRIES - 1):
            if waits_until(session, NAME, BROWSER, now=moment) is None:
                sign_in(session, NAME, WRONG, moment, BROWSER)
                wrong += 1
    assert wrong <= 45


@pytest.mark.database("sqlite")
def test_who_mistypes_now_and_then_never_waits(session, people, now, quick):
    for shift in range(15):
        moment = now + shift * DAY
        assert sign_in(session, NAME, WRONG, moment, TABLET) is None
        assert sign_in(session, NAME, PIN, moment, TABLET) == NAME


@pytest.mark.database("sqlite")
def test_a_clock_that_is_set_back_lets_nothing_go(session, people, now, quick):
    lock(session, now)
    assert sign_in(session, NAME, PIN, now - DAY) is None
    lock_lasts = waits_until(session, NAME, ANYWHERE_ELSE, now=now - DAY)
    assert lock_lasts == now + FIRST_WAIT
    with unit_of_work(session):
        held = session.scalars(select(WrongPins)).one()
        held.wait_until = None
    assert sign_in(session, NAME, WRONG, now - DAY) is None
    held = session.scalars(select(WrongPins)).one()
    assert (held.held, held.last_at) == (TRIES + 1, now)


# Ending a wait


def test_a_new_pin_ends_every_wait(session, people, now):
    lock(session, now)
    with unit_of_work(session):
        change_person(
            session, people.operator, role=Role.OPERATOR, active=True, pin="7391",
            actor=people.admin, now=now,
        )  # fmt: skip
    assert sign_in(session, NAME, PIN, now) is None
    assert sign_in(session, NAME, "7391", now) == NAME


def test_an_admin_ends_a_wait_and_the_audit_tells(session, people, now, quick):
    for place in (TABLET, ANYWHERE_ELSE):
        lock(session, now, place)
    assert {one.place: one.total for one in wrong_pins(session, people.operator)} == {
        TABLET: TRIES, ANYWHERE_ELSE: TRIES,
    }  # fmt: skip
    with pytest.raises(NotAllowedError):
        unlock(session, people.engineer, actor=people.engineer, now=now)
    with unit_of_work(session):
        unlock(session, people.operator, actor=people.admin, now=now)
    assert wrong_pins(session, people.operator) == []
    assert sign_in(session, NAME, PIN, now) == NAME
    told = session.scalars(select(AuditEvent).where(AuditEvent.action == "unlocked")).one()
    assert (told.person_id, told.subject_id) == (people.admin.id, people.operator.id)


# At once


def test_wrong_pins_typed_at_once_all_count(sessions, people, now):
    def guess(_number):
        with sessions() as own:
            return sign_in(own, NAME, WRONG, now)

    with ThreadPoolExecutor(TRIES) as pool:
        assert list(pool.map(guess, range(TRIES))) == [None] * TRIES
    with sessions() as own:
        held = own.scalars(select(WrongPins)).one()
        assert (held.total, held.held, held.wait_until) == (TRIES, TRIES, now + FIRST_WAIT)
