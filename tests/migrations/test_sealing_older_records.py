"""The change that brings seals: what is there is chained and sealed as it stands."""

from __future__ import annotations

import hashlib

import pytest
from sqlalchemy import inspect, select, text
from support.cells import closing, failed, good, note, opening, revision, ruling, write
from support.migrating import migrate
from support.tampering import without_rules

from trialog.records import schema
from trialog.records.audit import record_event
from trialog.records.chain import document_hash
from trialog.records.database import make_engine, unit_of_work
from trialog.records.models import (
    Acknowledgement,
    AuditChain,
    AuditEvent,
    ParkedLine,
    Requirement,
    Revocation,
    SignOff,
    Tablet,
    Trial,
)
from trialog.records.photos import store_photo
from trialog.records.seals import SEALED
from trialog.records.verify import verify

JPEG = b"\xff\xd8\xff what the camera saw"
PHOTO = hashlib.sha256(JPEG).hexdigest()
BEFORE = "0003"
NEW_SINCE = {"revocation", "verdict_change", "kept_report", "client", "client_token", "feed"}


@pytest.fixture
def older(engine, session, cell, people, now):
    """Return a database of the version before seals, with rows in every table of that time."""
    drop = failed("A", cell.dropped, occurred_at=now)
    old = ruling(drop.client_id, relevant=False, cause=None, cause_unwritten=True)
    write(session, cell, opening("A", counter=5), good("A", 40), drop, note("A"),
          actor=people.operator, now=now)  # fmt: skip
    write(session, cell, old, revision(cell.arm), closing("A"), actor=people.engineer, now=now)
    with unit_of_work(session):
        tablet = Tablet(name="blue tablet", key_hash="nobody's", enrolled_at=now)
        requirement = Requirement(
            cell_id=cell.id, name="älone", stretch_hours=1, cycle_seconds=30, chance=0.9,
            confidence=0.9, design_rate=1e-4, created_at=now, sign_roles=["approver"],
        )  # fmt: skip
        session.add_all([tablet, requirement])
        session.flush()
        trial = Trial(
            name="t", cell_id=cell.id, requirement_id=requirement.id, stage="by hand", share=1.0,
            plan_kind="zero-failure", plan_cycles=9, plan_allowed=0, created_at=now,
        )  # fmt: skip
        session.add(trial)
        session.flush()
        document = {"cell_id": cell.id, "proven": 0.1 + 0.2}
        session.add_all([
            ParkedLine(client_id="odd", cell_id=cell.id, tablet_id=tablet.id, why="odd",
                       line={"text": "\ud83d"}, parked_at=now),
            Acknowledgement(trial_id=trial.id, kind="cautions", person_id=people.engineer.id,
                            text="read", chain_length=1, created_at=now),
            SignOff(trial_id=trial.id, person_id=people.approver.id, role="approver",
                    person_name=people.approver.name, statement="seen", signed_at=now,
                    chain_length=cell.cell.chain_length, chain_head=cell.cell.chain_head,
                    document=document, document_hash=document_hash(document)),
        ])  # fmt: skip
        store_photo(session, PHOTO, JPEG, tablet=tablet, now=now)
        record_event(session, "did", "thing", 3, actor=people.admin, now=now, words="ö", rate=0.1)
    assert verify(session) == []
    session.rollback()
    migrate(engine, "downgrade", BEFORE)
    return engine


def test_older_records_are_sealed_as_they_stand(older, sessions):
    columns = {column["name"] for column in inspect(older).get_columns("audit_event")}
    assert not columns & {"sequence", "sealed", "hash", "previous_hash"}
    migrate(older, "upgrade", "head")
    with sessions() as session:
        assert verify(session) == []
        events = session.scalars(select(AuditEvent).order_by(AuditEvent.sequence)).all()
        assert [event.sequence for event in events] == list(range(1, len(events) + 1))
        assert [event.id for event in events] == sorted(event.id for event in events)
        last = events[-1]
        assert (last.action, last.subject, last.person_id) == ("sealed rows", "records", None)
        assert {table for table, *_ in last.sealed} == set(SEALED) - NEW_SINCE
        assert all(event.sealed == [] for event in events[:-1])
        assert session.get_one(AuditChain, 1).head == last.hash


CHANGED = (
    ("UPDATE requirement SET chance = 0.5", "requirement 1 'älone': was changed"),
    ("UPDATE person SET pin_hash = 'mine' WHERE id = 1", "person 1 'Olga Operator': was changed"),
    ("DELETE FROM acknowledgement", "acknowledgement 1: was removed"),
    ("UPDATE audit_event SET person_id = NULL WHERE action = 'did'", "(did thing) was changed"),
)


def test_what_is_changed_after_the_upgrade_is_named(older, sessions, database):
    migrate(older, "upgrade", "head")
    with without_rules(database) as connection:
        for statement, _ in CHANGED:
            connection.execute(text(statement))
        connection.commit()
    with sessions() as session:
        found = [f"{one.where}: {one.what}" for one in verify(session)]
    assert len(found) == len(CHANGED), found
    assert [said for _, said in CHANGED if not any(said in line for line in found)] == []


def test_records_without_a_row_get_a_chain_without_an_event(empty_database):
    bare = make_engine(empty_database)
    migrate(bare, "upgrade", "head")
    with bare.connect() as connection:
        assert connection.execute(select(AuditChain.length, AuditChain.head)).all() == [(0, "")]
        assert connection.execute(select(AuditEvent.id)).all() == []
    bare.dispose()


@pytest.mark.parametrize("what", ["causes of rulings", "refused sign-offs", "revocations"])
def test_going_back_is_refused_where_the_older_schema_would_read_something_else(
    older, session, cell, people, *, now, what
):
    """A refusal would become a signature, and a ruling's hash would no longer hold."""
    migrate(older, "upgrade", "head")
    with unit_of_work(session):
        signed = session.scalars(select(SignOff)).one()
        if what == "refused sign-offs":
            signed.decision = "refused"
        elif what == "revocations":
            session.add(Revocation(
                sign_off_id=signed.id, person_id=people.approver.id, reason="too early",
                person_name=people.approver.name, revoked_at=now,
            ))  # fmt: skip
    if what == "causes of rulings":
        drop = failed("B", cell.dropped)
        write(session, cell, opening("B"), drop, ruling(drop.client_id, relevant=False), now=now)
    session.rollback()
    with pytest.raises(RuntimeError, match=f"the records hold {what}, which the older schema"):
        migrate(older, "downgrade", BEFORE)
    assert schema.current_version(older) == schema.newest_version()
    assert verify(session) == []
