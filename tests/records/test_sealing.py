"""Every row that is set up, stated or settled is sealed by the transaction that writes it."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from sqlalchemy import Engine, delete, select, text, update
from support.cells import good, make_cell, opening, write
from support.tampering import past_the_application

from trialog.errors import ConflictError
from trialog.records.audit import record_event
from trialog.records.base import Base
from trialog.records.chain import event_hash
from trialog.records.database import make_sessions, read_one_moment, unit_of_work
from trialog.records.models import (
    AuditChain,
    AuditEvent,
    Cell,
    CellRollup,
    Device,
    DeviceRollup,
    FailureMode,
    OperatorRollup,
    ParkedLine,
    Person,
    Tablet,
    WrongPins,
)
from trialog.records.people import change_person
from trialog.records.pins import ANYWHERE_ELSE, check_pin
from trialog.records.seals import SEALED, VOLATILE, row_seal, sealed_columns
from trialog.records.setup import add_device, change_device
from trialog.records.verify import audit as audit_checks
from trialog.records.verify import verify
from trialog.records.words import Role

CHAINED_OR_DERIVED = {
    # Held by the logbook's own chain.
    "entry", "entry_mode",
    # Computed anew from it.
    "shift", "cell_rollup", "device_rollup", "mode_rollup", "operator_rollup", "failure_position",
    # The audit's own chain.
    "audit_event", "audit_chain",
}  # fmt: skip
PASSING = {
    # Work under way, which no verdict rests on.
    "import_draft",
    "enrolment_code",
    "notice",
    "due_report",
    # Who is signed in where, and who typed wrong PINs where.
    "sign_in",
    "wrong_pins",
}


def events(session):
    session.rollback()
    return session.scalars(select(AuditEvent).order_by(AuditEvent.sequence)).all()


def found(session):
    session.rollback()
    return [f"{one.where}: {one.what}" for one in verify(session)]


def test_every_table_is_protected_or_known_to_be_passing():
    """A new table must be put on one of the lists, with a reason."""
    assert set(Base.metadata.tables) == {*SEALED, *CHAINED_OR_DERIVED, *PASSING}
    assert all(
        name in Base.metadata.tables[table].c for table in VOLATILE for name in VOLATILE[table]
    )


def test_the_seals_of_a_transaction_stand_in_its_last_event(session, cell, people, now):
    with unit_of_work(session):
        arm = add_device(session, cell.cell, "gate", actor=people.engineer, now=now)
        record_event(session, "did", "thing", None, actor=None, now=now)
    *_, added, last = events(session)
    assert (added.action, added.sealed) == ("added", [])
    ((table, key, before, after),) = last.sealed
    assert (table, key, before) == ("device", str(arm.id), None)
    values = {"id": arm.id, "cell_id": cell.id, "name": "gate", "created_at": now}
    assert after == row_seal("device", values)


def test_a_change_seals_the_row_anew_and_says_what_it_was(session, cell, now):
    (first,) = [seal for event in events(session) for seal in event.sealed
                if seal[:2] == ["device", str(cell.arm.id)]]  # fmt: skip
    with unit_of_work(session):
        change_device(session, cell.arm, "long arm", actor=None, now=now)
    ((_, _, before, after),) = events(session)[-1].sealed
    assert before == first[3]
    assert after not in (None, before)
    assert found(session) == []


def test_a_row_that_is_removed_leaves_a_seal_of_nothing(session, now):
    tablet = Tablet(name="blue tablet", key_hash="nobody's", enrolled_at=now)
    with unit_of_work(session):
        session.add(tablet)
    with unit_of_work(session):
        session.delete(tablet)
    (_, _, before, after) = events(session)[-1].sealed[0]
    assert before is not None
    assert after is None
    assert found(session) == []


def test_a_row_that_is_made_and_removed_at_once_leaves_nothing(session, now):
    with unit_of_work(session):
        tablet = Tablet(name="blue tablet", key_hash="nobody's", enrolled_at=now)
        session.add(tablet)
        session.flush()
        session.delete(tablet)
    assert events(session) == []


def test_what_a_savepoint_took_back_is_neither_sealed_nor_told(session, cell, now):
    before = len(events(session))
    with unit_of_work(session):
        savepoint = session.begin_nested()
        change_device(session, cell.arm, "long arm", actor=None, now=now)
        session.flush()
        savepoint.rollback()
        record_event(session, "did", "thing", None, actor=None, now=now)
    assert [(event.action, event.sealed) for event in events(session)[before:]] == [("did", [])]
    assert found(session) == []


def test_what_a_savepoint_kept_is_sealed_once(session, cell, now):
    with unit_of_work(session), session.begin_nested():
        change_device(session, cell.arm, "long arm", actor=None, now=now)
    assert [seal[0] for seal in events(session)[-1].sealed] == ["device"]
    assert found(session) == []


def test_what_is_counted_or_noted_in_passing_needs_no_event(session, people, now):
    before = len(events(session))
    with unit_of_work(session):
        assert check_pin(session, people.operator.name, "9999", now=now) is None
    assert session.scalars(select(WrongPins)).one().place == ANYWHERE_ELSE
    assert len(events(session)) == before
    assert found(session) == []


def test_rows_that_nobody_tells_of_are_sealed_in_a_nameless_event(session, people):
    (event,) = events(session)
    assert (event.action, event.subject, event.person_id) == ("sealed rows", "records", None)
    assert [seal[0] for seal in event.sealed] == ["person"] * 4


def test_a_seal_leaves_out_what_is_empty_so_that_new_columns_change_none():
    assert row_seal("device", {"id": 1, "later": None}) == row_seal("device", {"id": 1})
    assert row_seal("device", {"id": 1}) != row_seal("tablet", {"id": 1})


def test_the_form_of_a_seal_and_of_an_events_hash_stays(now):
    """Records hold what they gave: a new form would make every one of them look tampered with."""
    assert row_seal("device", {"id": 1, "name": "arm", "created_at": now}) == (
        "9388cfb270febe84f838ccf4c46e01ad0530739118e1b3e6aceb41428c3c86f0"
    )
    facts = {
        "sequence": 1, "at": now, "person_id": None, "action": "did", "subject": "thing",
        "subject_id": 3, "details": {"b": 1.5, "a": "ö"}, "sealed": [["device", "1", None, "x"]],
    }  # fmt: skip
    assert event_hash("", facts) == (
        "d1ba11551eb6e5d005ab582a6f91adae50584a7aaf83a236a5e1fb4e5d17cc2c"
    )


def test_a_line_with_half_a_sign_in_it_is_sealed_like_any_other(session, cell, now):
    """A tablet may send anything; what breaks a rule is parked as it came."""
    with unit_of_work(session):
        tablet = Tablet(name="blue tablet", key_hash="nobody's", enrolled_at=now)
        session.add(tablet)
        session.flush()
        session.add(ParkedLine(
            client_id="odd", cell_id=cell.id, tablet_id=tablet.id, line={"text": "\ud83d \x00"},
            why="odd", parked_at=now,
        ))  # fmt: skip
    assert found(session) == []


def test_saving_a_row_again_does_not_hide_that_it_was_changed_in_between(session, cell, now):
    past_the_application(
        session,
        update(FailureMode).where(FailureMode.id == cell.chips.id).values(effect="nuisance"),
    )
    with unit_of_work(session):
        cell.chips.name = "chips stay"
        record_event(session, "changed", "failure mode", cell.chips.id, actor=None, now=now)
    (said,) = found(session)
    assert said.startswith(f"failure mode {cell.chips.id}: was changed behind the application's ")
    assert "between events" in said


def test_a_chain_cut_and_its_end_set_back_shows_in_what_the_rest_tells(session, cell, now):
    """Whoever cuts the audit's end must also undo what the cut events sealed."""
    with unit_of_work(session):
        change_device(session, cell.arm, "long arm", actor=None, now=now)
    *_, before, last = events(session)
    past_the_application(
        session,
        delete(AuditEvent).where(AuditEvent.sequence == last.sequence),
        update(AuditChain).values(length=before.sequence, head=before.hash),
    )
    (said,) = found(session)
    assert said.startswith(f"device {cell.arm.id} 'long arm': was changed behind")


def test_a_logbook_cut_and_its_end_set_back_shows_in_the_audit(session, cell, now):
    write(session, cell, opening("A"), now=now)
    head = session.scalar(select(Cell.chain_head))
    write(session, cell, good("A"), now=now)
    past_the_application(
        session,
        *(delete(table) for table in (CellRollup, DeviceRollup, OperatorRollup)),
        text("DELETE FROM entry WHERE sequence = 2"),
        update(Cell).values(chain_length=1, chain_head=head),
    )
    assert f"cell {cell.id}, logbook: line 2 is not the one that event " in "\n".join(
        found(session)
    )


def test_without_the_end_of_the_chain_nothing_is_written(session, cell, now):
    past_the_application(session, delete(AuditChain))
    with pytest.raises(ConflictError, match="the end of the audit is gone"), unit_of_work(session):
        change_device(session, cell.arm, "long arm", actor=None, now=now)
    assert "audit: its end stands in one row, but there are 0" in found(session)


def test_events_are_chained_in_the_order_of_their_transactions(session, cell, now):
    all_of_them = events(session)
    assert [event.sequence for event in all_of_them] == list(range(1, len(all_of_them) + 1))
    assert all_of_them[0].previous_hash == ""
    assert [event.previous_hash for event in all_of_them[1:]] == [
        event.hash for event in all_of_them[:-1]
    ]
    chain = session.scalars(select(AuditChain)).one()
    assert (chain.length, chain.head) == (len(all_of_them), all_of_them[-1].hash)


def test_transactions_at_once_keep_one_chain_without_a_gap(engine, session, cell, people, now):
    """Eight threads write events, lock people and log lines on two cells."""
    other = make_cell(session, now, name="Mill 2")
    session.commit()
    cells, person = (cell.id, other.id), people.operator.id
    start, failures = threading.Barrier(8), []

    def work(number):
        try:
            start.wait(timeout=30)
            for turn in range(4):
                _one_write(engine, cells[number % 2], person, f"{number}-{turn}", now)
        except Exception as error:
            failures.append(error)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    before = len(events(session))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert failures == []
    assert len(events(session)) == before + 64
    assert found(session) == []


def _one_write(engine: Engine, cell_id, person_id, mark, now):
    with make_sessions(engine)() as session, unit_of_work(session):
        person = session.get_one(Person, person_id, with_for_update=True)
        cell = session.get_one(Cell, cell_id)
        device = add_device(session, cell, f"device {mark}", actor=person, now=now)
        change_device(session, device, f"gate {mark}", actor=person, now=now)


def test_a_person_who_signs_in_while_somebody_names_them_waits_for_nobody_for_long(
    engine, people, now
):
    """The audit's end is locked last: nobody waits for it who holds what its holder needs."""
    start, failures = threading.Barrier(2), []

    def tries():
        with make_sessions(engine)() as session:
            for _ in range(10):
                with unit_of_work(session):
                    session.get_one(Person, people_id, with_for_update=True, populate_existing=True)
                    record_event(session, "locked", "person", people_id, actor=None, now=now)

    def names():
        with make_sessions(engine)() as session:
            for _ in range(10):
                with unit_of_work(session):
                    actor = session.get_one(Person, people_id)
                    record_event(session, "did", "thing", None, actor=actor, now=now)

    people_id = people.operator.id

    def run(what):
        try:
            start.wait(timeout=30)
            what()
        except Exception as error:
            failures.append(error)

    threads = [threading.Thread(target=run, args=(what,)) for what in (tries, names)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert failures == []


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        (["UPDATE audit_event SET at = :later WHERE sequence = 3"],
         "event 3 (added device) was changed after it was written"),
        (["UPDATE audit_event SET subject_id = 99 WHERE sequence = 3"],
         "event 3 (added device) was changed after it was written"),
        (["UPDATE audit_event SET sealed = '[1]' WHERE sequence = 3"],
         "event 3 (added device) was changed after it was written"),
        (["DELETE FROM audit_event WHERE sequence = 3"], "event 3 is missing (next is 4)"),
        (["UPDATE audit_event SET sequence = 99 WHERE sequence = 3",
          "UPDATE audit_event SET sequence = 3 WHERE sequence = 4",
          "UPDATE audit_event SET sequence = 4 WHERE sequence = 99"],
         "event 3 does not follow the event before it"),
        (["DELETE FROM audit_event WHERE sequence = (SELECT length FROM audit_chain)"],
         "events were written"),
        (["UPDATE audit_event SET sequence = NULL WHERE sequence = 3"], "is not in the chain"),
        (["UPDATE audit_chain SET head = 'x'"], "with another hash than written"),
        (["INSERT INTO audit_chain (id, length, head) VALUES (2, 1, 'x')"],
         "its end stands in one row, but there are 2"),
    ],
)  # fmt: skip
def test_an_event_that_was_changed_removed_or_moved_is_named(session, cell, now, statements, said):
    later = now + timedelta(hours=1)
    past_the_application(
        session,
        *(
            text(one).bindparams(later=later) if ":later" in one else text(one)
            for one in statements
        ),
    )
    assert any(line.startswith("audit: ") and said in line for line in found(session))


def test_a_role_that_is_changed_by_the_application_verifies(session, people, now):
    with unit_of_work(session):
        change_person(
            session, people.operator, role=Role.ENGINEER, active=True, pin=None,
            actor=people.admin, now=now,
        )  # fmt: skip
    assert found(session) == []
    assert "pin_hash" in sealed_columns("person")
    assert Device.__tablename__ in SEALED


def test_records_that_others_write_meanwhile_are_not_taken_for_tampering(
    sessions, session, cell, monkeypatch, now
):
    """A shop does not stop logging for `trialog verify`."""

    def write_meanwhile(*arguments):
        with unit_of_work(session):
            change_device(session, cell.arm, "long arm", actor=None, now=now)
        return look_at_end(*arguments)

    look_at_end = audit_checks._verify_end
    monkeypatch.setattr(audit_checks, "_verify_end", write_meanwhile)
    with sessions() as reader:
        read_one_moment(reader)
        assert verify(reader) == []
    assert session.get_one(Device, cell.arm.id).name == "long arm"
