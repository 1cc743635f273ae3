"""People, for admins."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from trialog.records.models import Person


def count(session):
    session.rollback()
    return session.scalar(select(func.count()).select_from(Person))


def test_an_added_person_can_sign_in(admin, stranger, session):
    answer = admin.post("/people/new", {"name": " Nina ", "role": "operator", "pin": "5687"})
    assert answer.location == "/people"
    assert "Nina can sign in now." in admin.get("/people").text
    entered = stranger.post("/login", {"name": "Nina", "pin": "5687"})
    assert entered.location == "/"


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("name", " ", "Must be given; it is empty."),
        ("name", "Olga Operator", "Must be new, but there is already a person"),
        ("pin", "123", "Must have 4 to 64 characters."),
        ("pin", "1" * 65, "Must have 4 to 64 characters."),
        ("pin", "1234", "Must not be a run up or down, such as 1234 or 9876"),
        ("role", "boss", "Not a valid choice."),
    ],
)
def test_a_person_who_breaks_a_rule_is_refused_beside_the_field(admin, session, field, typed, said):
    values = {"name": "Nina", "role": "operator", "pin": "5687", field: typed}
    answer = admin.post("/people/new", values)
    assert answer.status_code == 422
    assert f'id="{field}-error">{said}' in answer.text
    assert count(session) == 4


def test_a_pin_is_never_shown_again(admin):
    answer = admin.post("/people/new", {"name": "", "role": "operator", "pin": "98756"})
    assert "98756" not in answer.text


def test_a_person_can_be_switched_off_and_stays_on_the_list(admin, people, session):
    admin.post(f"/people/{people.operator.id}/edit", {"role": "operator", "pin": ""})
    page = admin.get("/people").text
    assert "Olga Operator" in page
    assert "may not sign in" in page


def test_a_new_pin_replaces_the_old_one(admin, stranger, people):
    values = {"role": "operator", "pin": "246810", "active": "y"}
    admin.post(f"/people/{people.operator.id}/edit", values)
    name = people.operator.name
    assert stranger.post("/login", {"name": name, "pin": "1111"}).status_code == 422
    assert stranger.post("/login", {"name": name, "pin": "246810"}).location == "/"


def test_the_last_admin_cannot_be_switched_off(admin, people):
    answer = admin.post(f"/people/{people.admin.id}/edit", {"role": "admin", "pin": ""})
    assert answer.status_code == 422
    assert "is the only admin left" in answer.text


def test_whoever_changes_their_own_pin_stays_signed_in(admin, people):
    values = {"role": "admin", "pin": "1357911", "active": "y"}
    answer = admin.post(f"/people/{people.admin.id}/edit", values)
    assert answer.location == "/"
    assert admin.get("/people").status_code == 200
