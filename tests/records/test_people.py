"""Who may do what, and who somebody is: roles, PINs and the lock after wrong ones."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from sqlalchemy import select

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError, UnknownNameError
from trialog.records.database import unit_of_work
from trialog.records.models import AuditEvent, Person
from trialog.records.people import (
    LOCK_TIME,
    SIGNING_ROLES,
    TRIES,
    Action,
    add_person,
    change_person,
    check_pin,
    check_sign_roles,
    find_person,
    may,
    require,
)
from trialog.records.queries import find_cell, find_trial, has_people
from trialog.records.words import Role

ALLOWED = {
    Role.OPERATOR: {Action.READ, Action.LOG},
    Role.ENGINEER: {
        Action.READ, Action.LOG, Action.CORRECT, Action.SET_UP, Action.IMPORT, Action.RULE,
        Action.REVISE, Action.ACKNOWLEDGE, Action.ENROL, Action.SIGN, Action.AUDIT,
    },
    Role.APPROVER: {Action.READ, Action.ACKNOWLEDGE, Action.SIGN, Action.AUDIT},
    Role.ADMIN: {
        Action.READ, Action.LOG, Action.CORRECT, Action.SET_UP, Action.IMPORT, Action.RULE,
        Action.REVISE, Action.ACKNOWLEDGE, Action.ENROL, Action.SIGN, Action.AUDIT,
        Action.MANAGE_PEOPLE, Action.NOTIFY,
    },
}  # fmt: skip


def sign_in(session, name, pin, now):
    """Check a PIN as a view does: in a unit of work that is committed."""
    with unit_of_work(session):
        person = check_pin(session, name, pin, now=now)
        return None if person is None else person.name


@pytest.mark.parametrize("role", Role)
@pytest.mark.parametrize("action", Action)
@pytest.mark.database("sqlite")
def test_what_each_role_may_do(people, role, action):
    person = getattr(people, role.value)
    assert may(person, action) is (action in ALLOWED[role])


def test_whoever_only_logs_signs_nothing():
    assert {role for role in Role if Action.SIGN in ALLOWED[role]} == set(SIGNING_ROLES)


@pytest.mark.parametrize(
    ("roles", "said"),
    [
        ([], r"sign_roles must name at least one of engineer, approver, admin"),
        ([Role.APPROVER, Role.APPROVER], r"sign_roles must name each role once"),
        ([Role.OPERATOR], r"sign_roles must be among engineer, approver, admin"),
    ],
)
def test_which_roles_a_requirement_may_ask_to_sign(roles, said):
    assert check_sign_roles([Role.ADMIN, Role.ENGINEER]) == ["engineer", "admin"]
    with pytest.raises(InvalidValueError, match=said):
        check_sign_roles(roles)


@pytest.mark.database("sqlite")
def test_what_is_not_allowed_is_said_in_words(people):
    require(people.engineer, Action.RULE)
    with pytest.raises(NotAllowedError, match=r"Olga Operator \(operator\) may not sign off"):
        require(people.operator, Action.SIGN)


@pytest.mark.database("sqlite")
def test_somebody_inactive_may_do_nothing(people, session, now):
    change_person(
        session, people.engineer, role=Role.ENGINEER, active=False, pin=None, actor=None, now=now
    )
    assert not any(may(people.engineer, action) for action in Action)


def test_a_person_signs_in_with_the_pin(session, people, now):
    assert sign_in(session, "Olga Operator", "1111", now) == "Olga Operator"
    assert sign_in(session, "  Olga Operator ", "1111", now) == "Olga Operator"


@pytest.mark.parametrize(
    ("name", "pin"),
    [
        ("Olga Operator", "2222"),
        ("Olga Operator", ""),
        ("Nobody", "1111"),
        ("olga operator", "1111"),
        ("Olga\x00Operator", "1111"),
        ("Olga Operator", "11\x0011"),
        ("Olga Operator", "\ud83d"),
        ("' OR 1=1 --", "1111"),
    ],
)
def test_nobody_else_signs_in(session, people, now, name, pin):
    assert sign_in(session, name, pin, now) is None


def test_somebody_inactive_does_not_sign_in(session, people, now):
    people.operator.active = False
    session.commit()
    assert sign_in(session, "Olga Operator", "1111", now) is None


def lock(session, now):
    for _ in range(TRIES):
        sign_in(session, "Olga Operator", "9999", now)


def test_five_wrong_pins_lock_a_person_out(session, people, now):
    lock(session, now)
    assert sign_in(session, "Olga Operator", "1111", now) is None
    locked = session.scalars(select(AuditEvent).where(AuditEvent.action == "locked")).one()
    assert (locked.subject_id, locked.details) == (people.operator.id, {"tries": TRIES})


def test_a_lock_ends_after_five_minutes(session, people, now):
    lock(session, now)
    just_before = now + LOCK_TIME - timedelta(seconds=1)
    assert sign_in(session, "Olga Operator", "1111", just_before) is None
    assert sign_in(session, "Olga Operator", "1111", now + LOCK_TIME) == "Olga Operator"


def test_a_lock_is_one_persons_only(session, people, now):
    lock(session, now)
    assert sign_in(session, "Emil Engineer", "2222", now) == "Emil Engineer"


def test_a_right_pin_forgets_the_wrong_ones_before_it(session, people, now):
    for _ in range(2):
        for _ in range(TRIES - 1):
            sign_in(session, "Olga Operator", "9999", now)
        assert sign_in(session, "Olga Operator", "1111", now) == "Olga Operator"


def test_a_new_pin_opens_the_lock(session, people, now):
    lock(session, now)
    with unit_of_work(session):
        change_person(
            session, people.operator, role=Role.OPERATOR, active=True, pin="7777",
            actor=people.admin, now=now,
        )  # fmt: skip
    assert sign_in(session, "Olga Operator", "1111", now) is None
    assert sign_in(session, "Olga Operator", "7777", now) == "Olga Operator"


def test_a_pin_is_stored_as_a_hash_only(session, now):
    person = add_person(session, "Nora New", Role.OPERATOR, "sesame", actor=None, now=now)
    assert person.pin_hash.startswith("$argon2id$")
    assert "sesame" not in person.pin_hash
    session.flush()
    assert "sesame" not in str([event.details for event in session.scalars(select(AuditEvent))])


@pytest.mark.parametrize("pin", ["", "123", "x" * 65])
@pytest.mark.database("sqlite")
def test_a_pin_too_short_or_too_long_is_refused_without_being_shown(session, now, pin):
    with pytest.raises(InvalidValueError, match="PIN must have 4 to 64 characters") as caught:
        add_person(session, "Nora New", Role.OPERATOR, pin, actor=None, now=now)
    assert not pin or pin not in str(caught.value)


@pytest.mark.parametrize("name", ["", " ", "x" * 121, "a\nb", "nul\x00", "\ud83d"])
def test_a_name_that_is_none_is_refused(session, now, name):
    with pytest.raises(InvalidValueError, match="name must"):
        add_person(session, name, Role.OPERATOR, "1234", actor=None, now=now)


@pytest.mark.parametrize("name", ['O\'Neill "Max" \\', "🙂", "=cmd", "x" * 120, "Ærøskøbing 東"])
def test_any_other_name_is_kept(session, now, name):
    add_person(session, f" {name} ", Role.OPERATOR, "1234", actor=None, now=now)
    session.commit()
    assert find_person(session, name).name == name


def test_a_name_is_given_once(session, people, now):
    with pytest.raises(ConflictError, match="already a person 'Olga Operator'"):
        add_person(session, "Olga Operator", Role.ADMIN, "1234", actor=None, now=now)


def test_the_last_admin_stays(session, people, now):
    change = {"pin": None, "actor": people.admin, "now": now}
    for role, active in ((Role.ENGINEER, True), (Role.ADMIN, False)):
        with pytest.raises(ConflictError, match="only admin left"):
            change_person(session, people.admin, role=role, active=active, **change)


def test_an_admin_may_go_where_another_one_stays(session, people, now):
    add_person(session, "Second Admin", Role.ADMIN, "1234", actor=people.admin, now=now)
    change_person(
        session, people.admin, role=Role.ENGINEER, active=True, pin=None, actor=None, now=now
    )
    assert people.admin.role is Role.ENGINEER


def test_adding_and_changing_people_is_audited(session, people, now):
    person = add_person(session, "Nora New", Role.OPERATOR, "1234", actor=people.admin, now=now)
    change_person(
        session, person, role=Role.ENGINEER, active=True, pin="4321", actor=people.admin, now=now
    )
    session.flush()
    events = select(AuditEvent).where(AuditEvent.subject == "person").order_by(AuditEvent.id)
    added, changed = session.scalars(events).all()
    assert (added.action, added.person_id, added.subject_id) == (
        "added", people.admin.id, person.id,
    )  # fmt: skip
    assert changed.details == {"role": "engineer", "active": True, "pin_changed": True}


@pytest.mark.parametrize("name", ["Nobody", "", "nul\x00", "\ud83d"])
@pytest.mark.parametrize("find", [find_person, find_cell, find_trial])
def test_an_unknown_name_is_refused_in_words(session, find, name):
    with pytest.raises(UnknownNameError):
        find(session, name)


def test_a_name_near_to_a_known_one_is_hinted_at(session, cell):
    with pytest.raises(UnknownNameError, match=r"did you mean 'Lathe 4'\?"):
        find_cell(session, "Lathe4")


def test_nobody_can_sign_in_before_the_first_person(session, now):
    assert not has_people(session)
    add_person(session, "First", Role.ADMIN, "1234", actor=None, now=now)
    assert has_people(session)


def test_wrong_pins_tried_at_once_all_count(sessions, people, now):
    def guess(_number):
        with sessions() as own:
            return sign_in(own, "Olga Operator", "9999", now)

    with ThreadPoolExecutor(TRIES) as pool:
        assert list(pool.map(guess, range(TRIES))) == [None] * TRIES
    with sessions() as own:
        person = own.scalars(select(Person).where(Person.name == "Olga Operator")).one()
        assert person.locked_until == now + LOCK_TIME
