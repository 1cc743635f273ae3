"""200 random edits of single rows, by plain statements past the application: all are named."""

from __future__ import annotations

import hashlib
import random
import re

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from support.cells import (
    closing,
    failed,
    good,
    make_cell,
    note,
    opening,
    revision,
    ruling,
    stop,
    undo,
    write,
)
from support.edits import PROTECTED, Editor
from support.tampering import without_rules

from trialog.records.audit import record_event
from trialog.records.base import Base
from trialog.records.chain import document_hash
from trialog.records.database import unit_of_work
from trialog.records.models import (
    Acknowledgement,
    Client,
    ClientToken,
    Entry,
    Feed,
    KeptReport,
    ParkedLine,
    Photo,
    Requirement,
    Revocation,
    Shift,
    SignOff,
    Tablet,
    Trial,
    VerdictChange,
)
from trialog.records.verify import verify

EDITS = 200
SEED = 20261126
FILE = b"a drawing of the stronger spring"


def set_up(session, cell, people, now):
    """Add a row or two to each table that a trial brings with it."""
    with unit_of_work(session):
        requirement = Requirement(
            cell_id=cell.id, name="four hours alone", stretch_hours=4, cycle_seconds=45,
            chance=0.9, confidence=0.95, design_rate=1e-4, created_at=now,
        )  # fmt: skip
        tablets = [
            Tablet(name=name, key_hash=name, enrolled_at=now) for name in ("blue tablet", "red")
        ]
        clients = [
            Client(name=name, responsible_id=people.engineer.id, made_at=now)
            for name in ("relay box", "dashboard")
        ]
        session.add_all([requirement, *tablets, *clients])
        session.flush()
        trials = [
            Trial(
                name=f"arm {kind}", cell_id=cell.id, device_id=device, stage="by hand", share=0.5,
                requirement_id=requirement.id, plan_kind="fixed-size", plan_cycles=900,
                plan_allowed=1, created_at=now,
            )
            for kind, device in (("alone", cell.arm.id), ("with all", None))
        ]  # fmt: skip
        session.add_all(trials)
        session.flush()
        session.add_all(
            ClientToken(
                client_id=client.id, hint=client.name[:5], token_hash=client.name, scopes=["read"],
                made_at=now, expires_at=now,
            )
            for client in clients
        )  # fmt: skip
        session.add_all(
            ParkedLine(
                client_id=f"parked {tablet.id}", cell_id=cell.id, tablet_id=tablet.id, why="odd",
                line={"kind": "good", "cycles": -1}, parked_at=now,
            )
            for tablet in tablets
        )  # fmt: skip
        session.add(
            Feed(key="abcd", cell_id=cell.id, url="http://agent", count_item="pc",
                 mode="polling", added_at=now)
        )  # fmt: skip
        record_event(session, "set up", "records", None, actor=people.engineer, now=now)
        return trials


def state_and_sign(session, cell, trials, people, now):
    """Add what people state of the trials, and what the tool said of them."""
    with unit_of_work(session):
        for trial in trials:
            document = {"cell_id": cell.id, "verdict": "GO"}
            signed = SignOff(
                trial_id=trial.id, person_id=people.approver.id, person_name=people.approver.name,
                role="approver", statement="seen", signed_at=now, document=document,
                chain_length=cell.cell.chain_length, chain_head=cell.cell.chain_head,
                document_hash=document_hash(document),
            )  # fmt: skip
            session.add_all([
                signed,
                Acknowledgement(
                    trial_id=trial.id, kind="cautions", person_id=people.engineer.id, text="read",
                    chain_length=1, created_at=now,
                ),
                VerdictChange(
                    trial_id=trial.id, at=now, verdict="KEEP RUNNING", cycles=9, failures=1,
                    proven_seconds=60.5, unmet=["plan"], chain_length=3,
                ),
            ])  # fmt: skip
            session.flush()
            session.add(Revocation(
                sign_off_id=signed.id, person_id=people.approver.id, revoked_at=now,
                person_name=people.approver.name, reason="too early",
            ))  # fmt: skip
        record_event(session, "signed", "records", None, actor=people.approver, now=now)


def keep_reports(session, cell, now):
    """Keep a report of each closed shift, and the dossier of a signature."""
    with unit_of_work(session):
        signed = session.scalars(select(SignOff.id)).first()
        shifts = session.scalars(select(Shift.id).where(Shift.closed_at.is_not(None)))
        about = [{"kind": "trial", "sign_off_id": signed}]
        about += [{"kind": "shift", "shift_id": shift_id} for shift_id in shifts]
        session.add_all(
            KeptReport(
                **one, cell_id=cell.id, version=1, title="a report", sentence="All is well.",
                language="en", line=4, made_at=now, content=FILE,
                sha256=hashlib.sha256(FILE).hexdigest(),
            )
            for one in about
        )  # fmt: skip
        record_event(session, "kept", "report", None, actor=None, now=now)


@pytest.fixture
def kept(session, cell, people, now):
    """Return a session on records with at least a row in every protected table."""
    trials = set_up(session, cell, people, now)
    other = make_cell(session, now, name="Mill 2", actor=people.admin)
    sha256 = hashlib.sha256(FILE).hexdigest()
    session.add(Photo(sha256=sha256, content=FILE, filename="spring.pdf", stored_at=now))
    session.commit()
    by = {"person_id": people.operator.id, "occurred_at": now}
    drop, slip = failed("A", cell.dropped, **by), failed("A", cell.chips, cell.slow, **by)
    for lines in (
        [opening("A", counter=0), good("A", 9, **by), drop, slip, note("A"), stop("A")],
        [undo(slip.client_id), revision(cell.arm, photo=sha256)],
        [ruling(drop.client_id, relevant=False), closing("A", 10)],
        [opening("B", counter=10), good("B", 4, **by), failed("B", cell.missed, **by)],
    ):
        write(session, cell, *lines, actor=people.operator, now=now)
    mill = [opening("A"), good("A", 7, **by), failed("A", other.chips, **by), closing("A")]
    write(session, other, *mill, actor=people.operator, now=now)
    session.refresh(cell.cell)
    state_and_sign(session, cell, trials, people, now)
    keep_reports(session, cell, now)
    session.rollback()
    return session


def test_random_edits_of_single_rows_are_all_found_and_named(kept, database):
    assert verify(kept) == []
    kept.rollback()
    rng, missed, tables = random.Random(SEED), [], set()
    with without_rules(database) as connection:
        for table in PROTECTED:
            stored = Base.metadata.tables[table]
            assert connection.scalar(select(func.count()).select_from(stored)), table
        connection.rollback()
        for _ in range(EDITS):
            transaction = connection.begin()
            edit = Editor(connection, rng).edit()
            with Session(connection) as session:
                found = [f"{one.where}: {one.what}" for one in verify(session)]
            transaction.rollback()
            tables.add(edit.what.split(" ")[0].partition(".")[0])
            if not any(named(name, line) for name in edit.names for line in found):
                missed.append((edit, found))
    assert missed == [], "\n\n".join(
        f"{edit.what}\n{edit.names}\n{found}" for edit, found in missed
    )
    assert tables == set(PROTECTED)  # so that every table had its turn
    assert kept.scalar(select(func.count()).select_from(Entry)) > 0
    assert verify(kept) == []


def named(name, line):
    """Say whether a finding names a row: "device 1" does not name "device 11"."""
    return re.search(rf"(?<![\w]){re.escape(name)}(?![\w])", line) is not None
