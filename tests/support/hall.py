"""A hall of cells, each of which needs somebody for something else."""

from __future__ import annotations

import hashlib
from datetime import timedelta

from support.cells import (
    closing,
    count,
    failed,
    good,
    log_shift,
    make_cell,
    opening,
    revision,
    ruling,
    undo,
    write,
)

from trialog.evidence import (
    acknowledge,
    define_requirement,
    refuse,
    revoke,
    sign,
    start_trial,
)
from trialog.records import setup
from trialog.records.database import unit_of_work
from trialog.records.models import Person, SignOff, Tablet
from trialog.records.parking import park
from trialog.records.setup import NewRequirement
from trialog.records.words import AcknowledgementKind, PlanKind, Stage

EASY = {"stretch_hours": 0.05, "chance": 0.6, "confidence": 0.9, "design_rate": 0.01}
"""Four cycles alone with a chance of 60 %: a few dozen clean cycles show it."""

CLEAN = 40
"""Clean cycles that are enough for that, for a whole cell."""


class Hall:
    """Cells with short histories. `now` is when all of it has happened."""

    def __init__(self, session, people, now):
        self.session, self.people, self.now = session, people, now
        self.shifts = 0

    def cell(self, name):
        with unit_of_work(self.session):
            return make_cell(self.session, self.now, name, actor=self.people.engineer)

    def trial(self, cell, name, device=None, *, stage=Stage.UNATTENDED, **numbers):
        by = {"actor": self.people.engineer, "now": self.now}
        with unit_of_work(self.session):
            asked = define_requirement(
                self.session, cell.cell, NewRequirement(name=f"for {name}", **EASY | numbers), **by
            )
            return start_trial(
                self.session, asked, name=name, stage=stage, plan_kind=PlanKind.ZERO_FAILURE,
                device=device, **by,
            )  # fmt: skip

    def shift(self, cell, label, *, good, failed=(), stage=Stage.UNATTENDED):
        """Log a shift of a stage, later than those before; it agrees with the counter."""
        self.shifts += 1
        log_shift(
            self.session, cell, label,
            now=self.now - timedelta(hours=1) + timedelta(seconds=10 * self.shifts),
            actor=self.people.operator, stage=stage, good=good, failed=failed,
            counters=(0, good + len(failed)),
        )  # fmt: skip

    def accept(self, trial):
        with unit_of_work(self.session):
            acknowledge(
                self.session, trial, AcknowledgementKind.CAUTIONS, "read",
                actor=self.people.engineer, now=self.now,
            )  # fmt: skip

    def sign(self, trial, *people):
        with unit_of_work(self.session):
            for person in people or (self.people.engineer, self.people.approver):
                sign(
                    self.session, trial, person, statement="seen", cautions_acknowledged=True,
                    now=self.now,
                )  # fmt: skip

    def to_sign(self, name):
        """Add a cell that ran alone, clean, and whose GO nobody has signed."""
        cell = self.cell(name)
        trial = self.trial(cell, f"{name} alone")
        self.shift(cell, "A", good=CLEAN)
        self.accept(trial)
        return cell, trial

    def ready(self, name):
        """Add a cell that may be left alone."""
        cell, trial = self.to_sign(name)
        self.sign(trial)
        return cell, trial

    def lapsed(self, name):
        """Add a cell that was signed and has been changed since."""
        cell, trial = self.ready(name)
        write(
            self.session, cell, revision(cell.jet, "wider nozzle"), actor=self.people.engineer,
            now=self.now,
        )  # fmt: skip
        return cell, trial

    def refused(self, name):
        """Add a cell whose GO somebody refuses."""
        cell, trial = self.to_sign(name)
        with unit_of_work(self.session):
            refuse(self.session, trial, self.people.approver, reason="seen it jam",
                   now=self.now)  # fmt: skip
        return cell, trial

    def no_go(self, name):
        """Add a cell that a device of it stops, by hand; the arm has a trial of its own too."""
        cell = self.cell(name)
        trial = self.trial(cell, f"{name} jet", cell.jet, stage=Stage.BY_HAND)
        self.trial(cell, f"{name} arm", cell.arm, stage=Stage.BY_HAND)
        self.trial(cell, f"{name} tray", cell.tray, stage=Stage.BY_HAND)
        self.shift(cell, "A", good=20, failed=[cell.chips], stage=Stage.BY_HAND)
        return cell, trial

    def parked(self, name):
        """Add a cell with a line of a tablet that was not taken."""
        cell, trial = self.running(name)
        with unit_of_work(self.session):
            key = hashlib.sha256(name.encode()).hexdigest()
            tablet = Tablet(name=f"tablet of {name}", key_hash=key, enrolled_at=self.now)
            self.session.add(tablet)
            self.session.flush()
            park(
                self.session, cell.cell, tablet, self.people.operator, client_id=name,
                line={"client_id": name}, why="it breaks a rule", now=self.now,
            )  # fmt: skip
        return cell, trial

    def running(self, name):
        """Add a cell whose devices run by hand and lack cycles and cold starts."""
        cell = self.cell(name)
        for device in (cell.arm, cell.jet, cell.tray):
            trial = self.trial(
                cell, f"{name} {device.name}", device, stage=Stage.BY_HAND, min_cold_starts=2
            )
        self.shift(cell, "A", good=30, stage=Stage.BY_HAND)
        return cell, trial

    def untried(self, name):
        """Add a cell that nobody has planned a trial for."""
        return self.cell(name), None

    def one_of_each(self):
        """Add a cell for each thing that somebody may be needed for, by that."""
        return {
            make.__name__: make(f"Cell {make.__name__}")
            for make in (
                self.ready, self.untried, self.running, self.to_sign, self.parked, self.no_go,
                self.refused, self.lapsed,
            )
        }  # fmt: skip

    def changes(self):
        """Do one thing after another, and yield a word for each when it is done."""
        session, people, now = self.session, self.people, self.now
        by = {"actor": people.engineer, "now": now}
        cell, _ = self.running("Cell 1")
        yield "a cell"
        lines = [opening("B"), good("B", 4), failed("B", cell.slow)]
        write(session, cell, *lines, **by)
        yield "lines"
        write(session, cell, ruling(lines[2].client_id, False), **by)
        yield "a ruling"
        write(session, cell, undo(lines[1].client_id), **by)
        yield "an undo"
        write(session, cell, closing("B"), **by)
        yield "a closing"
        with unit_of_work(session):
            setup.change_device(session, cell.arm, "long arm", **by)
        yield "a device's name"
        with unit_of_work(session):
            setup.change_cell(
                session, cell.cell, name="Cell Z", machine="M", part="P", operation="O",
                planned_cycle_seconds=45.0, counter_modulus=None, **by,
            )  # fmt: skip
        yield "a cell's particulars"
        second, waiting = self.to_sign("Cell 2")
        yield "another cell"
        self.sign(waiting)
        yield "signatures"
        with unit_of_work(session):
            record = session.query(SignOff).filter_by(trial_id=waiting.id).first()
            revoke(
                session, record, session.get(Person, record.person_id), reason="too early", now=now
            )
        yield "a revocation"
        self.trial(cell, "another", cell.arm, stage=Stage.BY_HAND)
        yield "a trial"
        then = [now - timedelta(minutes=minutes) for minutes in (30, 20, 15, 12, 10)]
        write(
            session, second, count(0, occurred_at=then[0]),
            opening("C", stage=Stage.UNATTENDED, occurred_at=then[1]),
            good("C", 5, occurred_at=then[1]), count(5, occurred_at=then[2]),
            closing("C", occurred_at=then[4]), **by,
        )  # fmt: skip
        yield "a shift that the machine counts too"
        write(session, second, count(50, occurred_at=then[3]), **by)
        yield "what the machine says"
        self.parked("Cell P")
        yield "a line that is parked"
