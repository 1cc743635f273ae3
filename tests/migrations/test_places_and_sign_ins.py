"""The change that counts wrong PINs by place, on records with people who were locked out."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import inspect, select, text
from support.migrating import migrate

from trialog.records import schema
from trialog.records.database import unit_of_work
from trialog.records.models import Person, WrongPins
from trialog.records.pins import check_pin
from trialog.records.sign_ins import begin_sign_in
from trialog.records.verify import verify

BEFORE = "0008"


def test_who_was_locked_out_before_signs_in_after_it_and_nobodys_seal_breaks(
    engine, session, people, now
):
    session.rollback()
    migrate(engine, "downgrade", BEFORE)
    with engine.begin() as connection:
        connection.execute(
            text("UPDATE person SET failed_tries = 3, locked_until = :until"),
            {"until": now + timedelta(minutes=5)},
        )
    migrate(engine, "upgrade", "head")
    assert schema.differences(engine) == []
    assert verify(session) == []
    session.rollback()
    with unit_of_work(session):
        assert check_pin(session, "Olga Operator", "1111", now=now) is not None


def test_going_back_forgets_wrong_pins_and_sign_ins_and_keeps_the_people(
    engine, session, people, now
):
    with unit_of_work(session):
        check_pin(session, "Olga Operator", "9999", now=now)
        begin_sign_in(session, people.operator, now=now)
    session.rollback()
    migrate(engine, "downgrade", BEFORE)
    assert not {"wrong_pins", "sign_in"} & set(inspect(engine).get_table_names())
    with engine.connect() as connection:
        counts = connection.execute(text("SELECT failed_tries, locked_until FROM person")).all()
    assert counts == [(0, None)] * 4
    migrate(engine, "upgrade", "head")
    assert session.scalars(select(WrongPins)).all() == []
    assert len(session.scalars(select(Person)).all()) == 4
    assert verify(session) == []
