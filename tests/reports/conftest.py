"""A cell with three weeks' worth of everything a report has to say."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from support.cells import (
    closing,
    condition,
    failed,
    good,
    log_shift,
    note,
    opening,
    ruling,
    stop,
    write,
)

from trialog.evidence import define_requirement, start_trial
from trialog.records.queries import shifts_of
from trialog.records.setup import NewRequirement
from trialog.records.words import Condition, PlanKind, Stage

ZONE = ZoneInfo("Europe/Berlin")
HOSTILE = "</script><b>bold</b> & 'quoted'"


def make_trial(session, cell, now, *, actor, name, device=None, kind=PlanKind.ZERO_FAILURE,
               stage=Stage.BY_HAND, **numbers):  # fmt: skip
    """Start a trial of half an hour alone at 90 % chance and confidence."""
    asked = {"stretch_hours": 0.5, "chance": 0.9, "confidence": 0.9, "design_rate": 0.0003}
    requirement = define_requirement(
        session, cell, NewRequirement(name=f"for {name}", **asked | numbers), actor=actor, now=now
    )
    return start_trial(
        session, requirement, name=name, stage=stage, plan_kind=kind, device=device,
        actor=actor, now=now,
    )  # fmt: skip


class Shop:
    """A committed cell with trials, and shifts a day apart, the newest ending at `now`."""

    def __init__(self, session, cell, people, now):
        self.session, self.cell, self.people, self.now = session, cell, people, now

    def trial(self, device=None, *, name="trial", days=30, **options):
        trial = make_trial(
            self.session, self.cell.cell, self.now - timedelta(days=days),
            actor=self.people.engineer, name=name, device=device, **options,
        )  # fmt: skip
        self.session.commit()
        return trial

    def shift(self, label, *, days=0, **what):
        return log_shift(
            self.session, self.cell, label,
            now=self.now - timedelta(days=days), actor=self.people.operator, **what,
        )  # fmt: skip

    def write(self, *entries):
        return write(self.session, self.cell, *entries, actor=self.people.engineer, now=self.now)

    def rich_shift(self, label="Early"):
        """Log a shift with everything in it, hostile texts included."""
        cell, person = self.cell, {"person_id": self.people.operator.id}
        start = self.now - timedelta(hours=8)
        lines = [
            opening(label, counter=1000),
            condition(label, Condition.COLD_START),
            condition(label, Condition.MATERIAL_LOT, text="lot 7"),
            good(label, 120),
            failed(label, cell.dropped, text=HOSTILE),
            good(label, 200),
            failed(label, cell.slow, cell.chips),
            stop(label, 95, text="jam"),
            stop(label, 25, text="jam again"),
            stop(label, None),
            good(label, 77),
            failed(label, cell.missed),
            note(label, HOSTILE),
            closing(label, counter=1405),
        ]
        placed = [
            replace(line, occurred_at=start + timedelta(minutes=10 * place), **person)
            for place, line in enumerate(lines)
        ]
        self.write(*placed)
        self.write(ruling(placed[-3].client_id, False, reason="pallet was misloaded"))
        return placed

    def shifts(self):
        return {shift.label: shift for shift in shifts_of(self.session, self.cell.cell)}


@pytest.fixture
def shop(session, cell, people, now):
    return Shop(session, cell, people, now)


@pytest.fixture
def zone():
    return ZONE
