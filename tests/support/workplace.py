"""A cell at which people of every role, and one who has left, try to do things.

Whom the role forbids something is refused, and whatever is refused leaves nothing behind: each
attempt checks that. What was taken is kept in an account of its own.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import func, select
from support.own_account import Account, Said

from trialog.errors import NotAllowedError, TrialogError
from trialog.evidence import define_requirement, start_trial
from trialog.records.database import make_engine, make_sessions, unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.models import (
    Acknowledgement,
    AuditEvent,
    Entry,
    ParkedLine,
    Person,
    Revocation,
    SignOff,
    Tablet,
)
from trialog.records.setup import NewRequirement, add_cell, add_device, add_mode
from trialog.records.words import Effect, EntryKind, PlanKind, Role, Stage
from trialog.web.logging.taking import take

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
EVERYBODY = ["operator", "engineer", "second engineer", "approver", "admin", "left engineer"]

# Who may do what, said again here: not asked of the application.
LOGS = {Role.OPERATOR, Role.ENGINEER, Role.ADMIN}
ENGINEERS = {Role.ENGINEER, Role.ADMIN}
JUDGES = {Role.ENGINEER, Role.APPROVER, Role.ADMIN}
SIGNS = {Role.ENGINEER, Role.APPROVER}
OF_ENGINEERS = {EntryKind.RULING, EntryKind.READING, EntryKind.REVISION, EntryKind.SHIFT_CLOSED}
"""Lines that only engineers take back."""


class Signature:
    """What is known of a signature or refusal, besides what the application says of it."""

    def __init__(self, record, person):
        self.id, self.trial_id = record.id, record.trial_id
        self.person, self.decision = person, record.decision
        self.lost_ground = self.revoked = False

    @property
    def stands(self):
        return not self.lost_ground and not self.revoked


class Workplace:
    """A cell with two trials: one of its arm, one of the whole cell."""

    def __init__(self, database):
        self.engine = make_engine(database)
        self.session = make_sessions(self.engine)()
        self.now, self.number, self.changed = START, 0, True
        with unit_of_work(self.session):
            self._set_up(self.session)
        self.signatures, self.parked, self.cautioned = [], {}, set()

    def _set_up(self, session):
        self.people = {
            name: Person(
                name=name, role=Role(name.split()[-1]), pin_hash="-",
                active=not name.startswith("left"), created_at=START,
            )
            for name in EVERYBODY
        }  # fmt: skip
        self.tablet = Tablet(name="T", key_hash="T", enrolled_at=START)
        session.add_all([*self.people.values(), self.tablet])
        by = {"actor": None, "now": START}
        self.cell = add_cell(
            session, name="Cell", machine="M", part="P", operation="10",
            planned_cycle_seconds=60.0, counter_modulus=100_000, **by,
        )  # fmt: skip
        self.devices = [add_device(session, self.cell, name, **by) for name in ("arm", "jet")]
        effects = [(0, Effect.STOPS), (0, Effect.NUISANCE), (1, Effect.DAMAGE)]
        self.modes = [
            add_mode(session, self.devices[device], f"miss {number}", effect, **by)
            for number, (device, effect) in enumerate(effects)
        ]
        # One cycle alone with a chance of 60 %: 9 cycles with at most one failure show it.
        ready = NewRequirement(
            name="R", stretch_hours=0.025, chance=0.6, confidence=0.9, design_rate=0.04,
            sign_roles=(Role.ENGINEER, Role.APPROVER),
        )  # fmt: skip
        asked = define_requirement(session, self.cell, ready, **by)
        self.trials = [
            start_trial(
                session, asked, name=f"trial {number}", stage=Stage.BY_HAND, share=1.0,
                plan_kind=PlanKind.FIXED_SIZE, device=device, **by,
            )
            for number, device in enumerate([self.devices[0], None])
        ]  # fmt: skip
        self.account = Account({mode.id: mode.device_id for mode in self.modes}, {self.modes[2].id})

    def leave(self):
        self.session.close()
        self.engine.dispose()

    def attempt(self, name, roles, act):
        """Let somebody try. Whom the role or having left forbids it is refused for that alone.

        Whatever is refused has left nothing behind.
        """
        self.now += timedelta(minutes=1)
        person = self.people[name]
        may, before = person.active and person.role in roles, self.written()
        done = refused = None
        try:
            with unit_of_work(self.session):
                done = act(person)
        except TrialogError as error:
            refused = getattr(error, "error", error)  # a line's error stands in another
        if refused is None:
            assert may, f"{name} did what only {roles} may do"
            self.changed = True
        else:
            assert isinstance(refused, NotAllowedError) != may, refused
            assert self.written() == before
        return done

    def written(self):
        """Return how many rows there are of what people write, asked for all at once."""
        tables = (Entry, AuditEvent, SignOff, Revocation, Acknowledgement, ParkedLine)
        counts = [select(func.count()).select_from(table).scalar_subquery() for table in tables]
        settled = select(func.count(ParkedLine.settled_at)).scalar_subquery()
        return self.session.execute(select(*counts, settled)).one()

    def line(self, name, kind, roles=LOGS, **fields):
        """Let somebody write a line, and keep it in the account if it was taken."""
        self.number += 1
        entry = NewEntry(client_id=f"line-{self.number}", kind=kind, **fields)

        def act(person):
            return take(self.session, self.cell, [entry], actor=person, now=self.now)

        if self.attempt(name, roles, act) is None:
            return
        said = Said(
            entry.client_id, kind, entry.shift, entry.cycles or 0, frozenset(entry.mode_ids),
            entry.counter, entry.target, entry.relevant, entry.failure_mode_id, entry.device_id,
            bool(entry.resets_evidence), entry.reading,
        )  # fmt: skip
        self.account.lines.append(said)
        for trial in self.trials:
            if kind is not EntryKind.REVISION or trial.device_id in (None, entry.device_id):
                self.take_ground_from(trial)

    def take_ground_from(self, trial):
        for signature in self.signatures:
            if signature.trial_id == trial.id:
                signature.lost_ground = True
