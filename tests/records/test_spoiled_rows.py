"""Values that trialog would never have written: verify names their rows and does not stumble."""

from __future__ import annotations

import hashlib

import pytest
from sqlalchemy import text
from sqlalchemy.orm import Session
from support.cells import closing, failed, good, make_cell, opening, revision, ruling
from support.tampering import without_rules

from trialog.records.audit import record_event
from trialog.records.chain import document_hash
from trialog.records.database import unit_of_work
from trialog.records.models import KeptReport, SignOff, Trial
from trialog.records.setup import NewRequirement, add_requirement
from trialog.records.verify import verify


@pytest.fixture
def kept(logbook, cell, people, session, now):
    """A logbook with a revision, a ruling and a sign-off."""
    drop = failed("A", cell.dropped)
    logbook.write(opening("A"), good("A", 9), drop, revision(cell.arm))
    logbook.write(ruling(drop.client_id, relevant=True), closing("A"))
    stated = NewRequirement(
        name="alone", stretch_hours=1, chance=0.9, confidence=0.9, design_rate=1e-5
    )
    with unit_of_work(session):
        requirement = add_requirement(session, cell.cell, stated, actor=None, now=now)
        trial = Trial(
            name="arm", cell_id=cell.id, requirement_id=requirement.id, stage="by hand", share=1.0,
            plan_kind="zero-failure", plan_cycles=9, plan_allowed=0, created_at=now,
        )  # fmt: skip
        session.add(trial)
        session.flush()
        document = {"cell_id": cell.id}
        session.add(KeptReport(
            kind="shift", shift_id=1, cell_id=cell.id, version=1, title="a report", made_at=now,
            sentence="All is well.", language="en", line=6, content=b"frozen",
            sha256=hashlib.sha256(b"frozen").hexdigest(),
        ))  # fmt: skip
        session.add(SignOff(
            trial_id=trial.id, person_id=people.approver.id, person_name=people.approver.name,
            role="approver", statement="seen", signed_at=now, document=document,
            chain_length=cell.cell.chain_length, chain_head=cell.cell.chain_head,
            document_hash=document_hash(document),
        ))  # fmt: skip
        record_event(session, "signed", "trial", trial.id, actor=people.approver, now=now)
    assert logbook.verify() == []
    return logbook


SPOILED = [
    ("UPDATE entry SET occurred_at = 'yesterday' WHERE sequence = 2", "line 2 "),
    ("UPDATE entry SET kind = 'dance' WHERE sequence = 2", "line 2 "),
    ("UPDATE entry SET cycles = 'many' WHERE sequence = 2", "line 2 "),
    ("UPDATE entry SET text = x'00ff' WHERE sequence = 2", "line 2 "),
    ("UPDATE entry SET resets_evidence = 7 WHERE sequence = 4", "line 4 "),
    ("UPDATE shift SET stage = 'asleep'", "cell 1: cannot be computed from its logbook"),
    ("UPDATE shift SET opened_at = 'yesterday'", "cell 1: cannot be computed from its logbook"),
    ("UPDATE revision SET effective_at = 'soon' WHERE id = 2", "revision 2: was changed"),
    ("UPDATE cell SET created_at = 'once'", "cell 1 'Lathe 4': was changed"),
    ("UPDATE cell SET counter_modulus = 'round'", "cell 1 'Lathe 4': was changed"),
    ("UPDATE person SET role = 'king' WHERE id = 1", "person 1 'Olga Operator': was changed"),
    ("UPDATE person SET active = 2 WHERE id = 1", "person 1 'Olga Operator': was changed"),
    ("UPDATE failure_mode SET effect = 'shrugs' WHERE id = 1", "failure mode 1 "),
    ("UPDATE sign_off SET document = '{'", "sign off 1 'Anna Approver': was changed"),
    ("UPDATE sign_off SET document = '[]'", "sign off 1 'Anna Approver': was changed"),
    ("UPDATE audit_event SET details = '{' WHERE sequence = 2", "audit: event 2 "),
    ("UPDATE audit_event SET sealed = '{}' WHERE sequence = 2", "audit: event 2 "),
    ("UPDATE audit_event SET sealed = '[[1]]' WHERE sequence = 2", "audit: event 2 "),
    ("UPDATE audit_event SET details = '[]' WHERE action = 'wrote'", "(wrote logbook) was changed"),
    ("UPDATE audit_event SET at = 'noon' WHERE sequence = 2", "audit: event 2 "),
    ("UPDATE kept_report SET content = 'words'", "kept reports: cannot be read"),
    ("UPDATE kept_report SET content = x'00'", "kept report 1: its content was changed"),
    ("UPDATE kept_report SET kind = 'novel'", "kept report 1: was changed"),
    ("UPDATE kept_report SET made_at = 'once'", "kept report 1: was changed"),
    ("DELETE FROM kept_report", "kept report 1: was removed"),
    ("DELETE FROM shift", "entry 1: names shift 1, which is not there"),
    ("DELETE FROM cell", "device 1: names cell 1, which is not there"),
    ("DELETE FROM person WHERE id = 3", "sign off 1: names person 3, which is not there"),
]


@pytest.mark.database("sqlite")  # PostgreSQL's columns hold nothing but values of their type
def test_values_that_are_none_are_named_by_their_rows(kept, database):
    kept.session.rollback()
    silent = []
    with without_rules(database) as connection:
        connection.execute(text("PRAGMA ignore_check_constraints = ON"))
        connection.rollback()
        for statement, said in SPOILED:
            with connection.begin() as transaction, Session(connection) as session:
                connection.execute(text(statement))
                found = [f"{one.where}: {one.what}" for one in verify(session)]
                transaction.rollback()
            if not any(said in line for line in found):
                silent.append((statement, found))
    assert silent == []
    assert kept.verify() == []


def test_a_shift_moved_to_another_cell_is_named(kept, session, database, now):
    other = make_cell(session, now, name="Mill 2")
    session.commit()
    with without_rules(database) as connection:
        connection.execute(text("UPDATE shift SET cell_id = :other"), {"other": other.id})
        connection.commit()
    found = [f"{one.where}: {one.what}" for one in kept.verify()]
    assert any("shift 'A'" in line and "cell_id is" in line for line in found), found
