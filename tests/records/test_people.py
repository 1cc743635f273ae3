"""Who may do what, and who somebody is: roles, PINs and the lock after wrong ones."""

import pytest
from sqlalchemy import select

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError, UnknownNameError
from trialog.records.models import AuditEvent
from trialog.records.people import (
    SIGNING_ROLES,
    Action,
    add_person,
    change_person,
    check_sign_roles,
    find_person,
    may,
    require,
)
from trialog.records.pins import check_pin
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
        Action.MANAGE_PEOPLE, Action.MANAGE_CLIENTS, Action.NOTIFY,
    },
}  # fmt: skip


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


@pytest.mark.parametrize("pin", ["", "123", "x" * 65])
@pytest.mark.database("sqlite")
def test_a_pin_too_short_or_too_long_is_refused_without_being_shown(session, now, pin):
    with pytest.raises(InvalidValueError, match="PIN must have 4 to 64 characters") as caught:
        add_person(session, "Nora New", Role.OPERATOR, pin, actor=None, now=now)
    assert not pin or pin not in str(caught.value)


@pytest.mark.parametrize(
    ("pin", "rule"),
    [
        ("1111", "one sign over and over, such as 1111"),
        ("xxxxxx", "one sign over and over, such as 1111"),
        ("1234", "a run up or down, such as 1234 or 9876"),
        ("98765432", "a run up or down, such as 1234 or 9876"),
        ("abcdef", "a run up or down, such as 1234 or 9876"),
        ("1212", "one pair over and over, such as 1212"),
        ("707070", "one pair over and over, such as 1212"),
        ("12121", "one pair over and over, such as 1212"),
    ],
)
@pytest.mark.database("sqlite")
def test_a_pin_that_is_tried_first_is_refused_when_it_is_set(session, people, now, pin, rule):
    by = {"actor": None, "now": now}
    shown = f"PIN must not be {rule}, got '{'•' * len(pin)}'"
    with pytest.raises(InvalidValueError) as added:
        add_person(session, "Nora New", Role.OPERATOR, pin, **by)
    with pytest.raises(InvalidValueError) as changed:
        change_person(session, people.operator, role=Role.OPERATOR, active=True, pin=pin, **by)
    assert [str(added.value), str(changed.value)] == [shown, shown]


@pytest.mark.parametrize("pin", ["1235", "1122", "1221", "1984", "7890", "0102", "135790", "aabb"])
@pytest.mark.database("sqlite")
def test_other_pins_are_taken_birthdays_included(session, now, pin):
    add_person(session, "Nora New", Role.OPERATOR, pin, actor=None, now=now)


@pytest.mark.database("sqlite")
def test_a_pin_that_was_set_before_there_was_a_rule_stays_good(session, people, now):
    assert people.pin(people.operator) == "1111"
    assert check_pin(session, people.operator.name, "1111", now=now) == people.operator


@pytest.mark.parametrize("name", ["", " ", "x" * 121, "a\nb", "nul\x00", "\ud83d"])
def test_a_name_that_is_none_is_refused(session, now, name):
    with pytest.raises(InvalidValueError, match="name must"):
        add_person(session, name, Role.OPERATOR, "1846", actor=None, now=now)


@pytest.mark.parametrize("name", ['O\'Neill "Max" \\', "🙂", "=cmd", "x" * 120, "Ærøskøbing 東"])
def test_any_other_name_is_kept(session, now, name):
    add_person(session, f" {name} ", Role.OPERATOR, "1846", actor=None, now=now)
    session.commit()
    assert find_person(session, name).name == name


def test_a_name_is_given_once(session, people, now):
    with pytest.raises(ConflictError, match="already a person 'Olga Operator'"):
        add_person(session, "Olga Operator", Role.ADMIN, "1846", actor=None, now=now)


def test_the_last_admin_stays(session, people, now):
    change = {"pin": None, "actor": people.admin, "now": now}
    for role, active in ((Role.ENGINEER, True), (Role.ADMIN, False)):
        with pytest.raises(ConflictError, match="only admin left"):
            change_person(session, people.admin, role=role, active=active, **change)


def test_an_admin_may_go_where_another_one_stays(session, people, now):
    add_person(session, "Second Admin", Role.ADMIN, "1846", actor=people.admin, now=now)
    change_person(
        session, people.admin, role=Role.ENGINEER, active=True, pin=None, actor=None, now=now
    )
    assert people.admin.role is Role.ENGINEER


def test_adding_and_changing_people_is_audited(session, people, now):
    person = add_person(session, "Nora New", Role.OPERATOR, "1846", actor=people.admin, now=now)
    change_person(
        session, person, role=Role.ENGINEER, active=True, pin="4312", actor=people.admin, now=now
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
    add_person(session, "First", Role.ADMIN, "1846", actor=None, now=now)
    assert has_people(session)
