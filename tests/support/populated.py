"""Records in which every page has something to show, and every address leads somewhere."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import select
from support.cells import log_shift, make_cell, new_id, revision, write
from support.enrolled import Enrolled

from trialog.evidence import acknowledge, define_requirement, sign, start_trial
from trialog.records.clients import add_client, issue_token, revoke_token
from trialog.records.database import make_sessions, unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.files import store_file
from trialog.records.models import ImportDraft, KeptReport, Photo, Tablet, Trial
from trialog.records.parking import park
from trialog.records.queries import shifts_of
from trialog.records.setup import NewRequirement
from trialog.records.words import AcknowledgementKind, EntryKind, PlanKind, Scope, Stage
from trialog.reports.keeping import Keeper, keep_due
from trialog.reports.kinds import KINDS

IMAGE = b"\xff\xd8\xff\xe0 an image"
DRAFTED = b"shift,time,outcome\n2,2026-03-02T06:00:00+00:00,good\n2,,nonsense\n"
PART = re.compile(r"<(?:(?:\w+)(?:\([^)]*\))?:)?(\w+)>")


@dataclass(frozen=True)
class Populated:
    """Records with one of everything; `parts` is what the variable parts of addresses stand for."""

    parts: dict[str, object]
    tablet: Enrolled
    revoked: Enrolled
    token: str
    tokens: dict[Scope, str]
    revoked_token: str
    expired_token: str

    def address(self, rule):
        """Return the address of a route that leads to something."""
        named = self.parts | OF_ENDPOINT.get(rule.endpoint, {})
        if rule.endpoint in PHOTOS:
            named["sha256"] = self.parts["seen"]
        return PART.sub(lambda found: str(named[found[1]]), rule.rule)


OF_ENDPOINT = {
    "help.page": {"name": "verdict"},
    "help.image": {"name": "coverage"},
    "help.schema": {"kind": "trial"},
    "trials.asset": {"name": "report.css"},
    **{f"downloads.{kind}": {"form": "html"} for kind in KINDS},
    "kept.file": {"form": "html"},
    "static": {"filename": "app.css"},
}
PHOTOS = {"logging.photo", "logging.add_photo"}


def populate(app, session, people):
    """Set a cell up, run and sign a trial on it, and leave things over to see to."""
    now = datetime.now(UTC)
    by = {"actor": people.engineer, "now": now - timedelta(days=9)}
    with unit_of_work(session):
        cell = make_cell(session, by["now"], actor=people.engineer)
        # One cycle alone with a chance of 60 %: five clean cycles show it at 90 % confidence.
        ready = NewRequirement(
            name="R", stretch_hours=0.02, chance=0.6, confidence=0.9, design_rate=0.04
        )
        asked = define_requirement(session, cell.cell, ready, **by)
        trial = start_trial(
            session, asked, name="T", stage=Stage.BY_HAND, plan_kind=PlanKind.ZERO_FAILURE,
            device=cell.tray, share=1.0, **by,
        )  # fmt: skip
        numbers = {
            "cell_id": cell.id, "device_id": cell.arm.id, "mode_id": cell.chips.id,
            "requirement_id": asked.id, "trial_id": trial.id, "person_id": people.operator.id,
        }  # fmt: skip
    tablet, revoked = (
        Enrolled(app, session, people.engineer, cell=cell.cell, name=name) for name in ("A", "B")
    )
    revoked.revoke()
    trial_id = numbers["trial_id"]
    numbers |= log_things(session, cell, people, now - timedelta(hours=3))
    numbers |= sign_it(session, trial_id, people, now - timedelta(hours=2))
    numbers |= keep_reports(session, now)
    numbers |= leave_over(session, cell, tablet, trial_id, people, now=now - timedelta(hours=1))
    numbers["client_id"], numbers["token_id"], *tokens = let_clients_in(session, people, now)
    numbers |= {"tablet_id": tablet.id, "key": "plan", "kind": "css", "language": "en"}
    return Populated(numbers, tablet, revoked, *tokens)


def let_clients_in(session, people, now):
    """Let a client in: one token opens everything, one each a scope; two are worth nothing."""
    by = {"actor": people.admin, "now": now - timedelta(days=1)}
    long_ago = by | {"now": now - timedelta(days=9), "life": timedelta(days=8)}
    with unit_of_work(session):
        client = add_client(session, "relay box", people.engineer, **by)
        _, text = issue_token(session, client, list(Scope), **by)
        tokens = {scope: issue_token(session, client, [scope], **by)[1] for scope in Scope}
        _, expired = issue_token(session, client, list(Scope), **long_ago)
        revoked, worthless = issue_token(session, client, list(Scope), **by)
        revoke_token(session, revoked, **by)
        return client.id, revoked.id, text, tokens, worthless, expired


def log_things(session, cell, people, now):
    """Log a shift with a failure, a photo of it, and a change to another device with a file."""
    entries = log_shift(
        session, cell, "A", good=8, failed=[cell.slow], counters=(0, 9), now=now,
        actor=people.operator,
    )  # fmt: skip
    failure = next(entry for entry in entries if entry.kind is EntryKind.FAILED)
    seen = hashlib.sha256(IMAGE).hexdigest()
    with unit_of_work(session):
        session.add(Photo(sha256=seen, content=IMAGE, stored_at=now))
        drawing = store_file(session, "drawing.pdf", b"%PDF-", actor=people.engineer, now=now)
    photo = NewEntry(
        client_id=new_id("photo"), kind=EntryKind.PHOTO, target=failure.client_id, photo=seen
    )
    changed = revision(cell.arm, photo=drawing)
    write(session, cell, photo, changed, actor=people.engineer, now=now)
    return {"shift_id": shifts_of(session, cell.cell)[0].id, "seen": seen, "sha256": drawing}


def sign_it(session, trial_id, people, now):
    """Bring the trial to a GO, and let the approver sign it."""
    with unit_of_work(session):
        trial, by = session.get_one(Trial, trial_id), {"now": now, "actor": people.engineer}
        acknowledge(session, trial, AcknowledgementKind.CAUTIONS, "read", **by)
        signed = sign(
            session, trial, people.approver, statement="read", cautions_acknowledged=True, now=now
        )
        return {"sign_off_id": signed.id}


def keep_reports(session, now):
    """Make the reports of the shift and of the signed trial."""
    bound = session.get_bind()
    keep_due(Keeper(sessions=make_sessions(bound), zone=UTC, clock=lambda: now))
    session.rollback()
    return {"report_id": session.scalars(select(KeptReport.id)).first()}


def leave_over(session, cell, tablet, trial_id, people, *, now):
    """Leave a line of a tablet parked, and a file for each engineer half imported."""
    with unit_of_work(session):
        line = {"client_id": "parked", "kind": "good"}
        row = session.get_one(Tablet, tablet.id)
        parked = park(
            session, cell.cell, row, people.operator, client_id="parked", line=line,
            why="it breaks a rule", now=now,
        )  # fmt: skip
        for person in (people.engineer, people.admin):
            draft = {"trial_id": trial_id, "filename": "log.csv", "content": DRAFTED}
            session.add(ImportDraft(person_id=person.id, created_at=datetime.now(UTC), **draft))
        return {"line_id": parked.id}
