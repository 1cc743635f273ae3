"""A trial on a cell, and short ways to bring it where a test needs it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from support.cells import log_shift, write

from trialog.evidence import acknowledge, define_requirement, start_trial
from trialog.records.setup import NewRequirement
from trialog.records.words import AcknowledgementKind, PlanKind, Stage

CLEAN_CYCLES = 875
"""What the trial's zero-failure plan asks for: half an hour alone at 90 % and 90 %."""


class OnTrial:
    """A committed zero-failure trial of the whole cell."""

    def __init__(self, session, cell, people, now):
        self.session, self.cell, self.people, self.now = session, cell, people, now
        by = {"actor": people.engineer, "now": now - timedelta(days=30)}
        asked = NewRequirement(
            name="half an hour", stretch_hours=0.5, chance=0.9, confidence=0.9, design_rate=0.0003
        )
        requirement = define_requirement(session, cell.cell, asked, **by)
        self.trial = start_trial(
            session, requirement, name="Cell <by hand>", stage=Stage.BY_HAND,
            plan_kind=PlanKind.ZERO_FAILURE, **by,
        )  # fmt: skip
        session.commit()
        self.url = f"/trials/{self.trial.id}"

    def shift(self, label, *, days=0, **what):
        """Log a whole shift, as many days ago; what it returns are its entries."""
        return log_shift(
            self.session, self.cell, label,
            now=self.now - timedelta(days=days), actor=self.people.operator, **what,
        )  # fmt: skip

    def write(self, *entries):
        write(self.session, self.cell, *entries, actor=self.people.engineer, now=self.now)

    def reach_go(self):
        """Run the clean cycles of the plan and acknowledge the cautions."""
        self.shift("A", days=1, good=CLEAN_CYCLES, counters=(0, CLEAN_CYCLES))
        acknowledge(
            self.session, self.trial, AcknowledgementKind.CAUTIONS, "guards are up",
            actor=self.people.engineer, now=self.now,
        )  # fmt: skip
        self.session.commit()


@pytest.fixture
def on_trial(app, session, cell, people, now):
    return OnTrial(session, cell, people, now)
