"""A cell with two devices on the bench, and short ways to run shifts on it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from trialog.evidence import acknowledge, define_requirement, start_trial
from trialog.records.entries import NewEntry
from trialog.records.logbook import write_entries
from trialog.records.models import Person, Tablet
from trialog.records.parking import park
from trialog.records.setup import NewRequirement, add_cell, add_device, add_mode
from trialog.records.words import (
    AcknowledgementKind,
    Effect,
    EntryKind,
    PlanKind,
    Role,
    RulingCause,
    Stage,
)

START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


class Bench:
    """One cell whose clock moves on with each entry."""

    def __init__(self, session):
        self.session = session
        self.clock = START
        self.number = 0
        self.engineer = self._person("Engineer", Role.ENGINEER)
        self.approver = self._person("Approver", Role.APPROVER)
        self.operator = self._person("Operator", Role.OPERATOR)
        self.cell = add_cell(
            session, name="Bench cell", machine="M", part="P", operation="10",
            planned_cycle_seconds=60.0, counter_modulus=10_000, actor=None, now=START,
        )  # fmt: skip
        self.arm = add_device(session, self.cell, "arm", actor=None, now=START)
        self.jet = add_device(session, self.cell, "jet", actor=None, now=START)
        mode = dict(actor=None, now=START)
        self.drop = add_mode(session, self.arm, "dropped part", Effect.STOPS, **mode)
        self.slow = add_mode(session, self.arm, "slow return", Effect.NUISANCE, **mode)
        self.chips = add_mode(session, self.jet, "chips left", Effect.DAMAGE, **mode)
        self.shift = None

    def _person(self, name, role):
        """Add somebody who never signs in here: hashing a PIN takes longer than most tests."""
        person = Person(name=name, role=role, pin_hash="-", active=True, created_at=START)
        self.session.add(person)
        self.session.flush()
        return person

    def person(self, name, role=Role.OPERATOR):
        return self._person(name, role)

    def tablet(self, name="blue tablet"):
        """Add a tablet that never sends anything here: its key is nobody's."""
        tablet = Tablet(name=name, key_hash=name, enrolled_at=START)
        self.session.add(tablet)
        self.session.flush()
        return tablet

    def park(self, tablet, line_id="parked", **line):
        """Park a line of a tablet, a minute after the last entry."""
        self.clock += timedelta(minutes=1)
        return park(
            self.session, self.cell, tablet, self.operator, client_id=line_id,
            line={"client_id": line_id, "kind": "good"} | line, why="it breaks a rule",
            now=self.clock,
        )  # fmt: skip

    def write(self, kind, **fields):
        """Write one entry a minute after the last, and return its client id."""
        self.clock += timedelta(minutes=1)
        self.number += 1
        fields.setdefault("shift", self.shift if "target" not in fields else None)
        fields.setdefault("person_id", self.operator.id)
        fields.setdefault("occurred_at", self.clock)
        entry = NewEntry(client_id=f"e{self.number}", kind=kind, **fields)
        write_entries(self.session, self.cell, [entry], actor=self.engineer, now=self.clock)
        return entry.client_id

    def open(self, label, counter=None, stage=Stage.BY_HAND):
        self.shift = label
        return self.write(EntryKind.SHIFT_OPENED, stage=stage, counter=counter)

    def good(self, cycles=1, **fields):
        return self.write(EntryKind.GOOD, cycles=cycles, **fields)

    def fail(self, *modes, **fields):
        return self.write(
            EntryKind.FAILED, cycles=1, mode_ids=tuple(mode.id for mode in modes), **fields
        )

    def check(self, *modes, cycles=1, number=None, by=None):
        """Log a spot check by somebody, who is nobody that logs cycles unless told."""
        if by is None:
            by = self.checker = getattr(self, "checker", None) or self.person("Checker")
        return self.write(
            EntryKind.CHECK, cycles=cycles, cycle_number=number, person_id=by.id,
            mode_ids=tuple(mode.id for mode in modes),
        )  # fmt: skip

    def close(self, counter=None, **fields):
        return self.write(EntryKind.SHIFT_CLOSED, counter=counter, **fields)

    def rule(self, failed, relevant, reason="seen on video", mode=None):
        return self.write(
            EntryKind.RULING, target=failed, relevant=relevant, reason=reason,
            cause=None if relevant else RulingCause.HANDLING,
            failure_mode_id=None if mode is None else mode.id,
        )  # fmt: skip

    def revise(self, device, what, resets=True, reason="", **fields):
        return self.write(
            EntryKind.REVISION, shift=None, device_id=device.id, text=what,
            resets_evidence=resets, reason=reason, **fields,
        )  # fmt: skip

    def undo(self, target):
        return self.write(EntryKind.UNDO, target=target)

    def run(self, label, good, failed=(), missing=0, first=0):
        """Run a whole shift; `missing` cycles are counted by the machine and not logged."""
        self.open(label, counter=first)
        ids = [self.fail(mode) for mode in failed]
        if good:
            self.good(good)
        self.close(counter=first + good + len(failed) + missing)
        return ids

    def says(self, counter, **fields):
        """Let the machine say its count, a minute after the last line."""
        self.clock += timedelta(minutes=1)
        self.number += 1
        entry = NewEntry(
            client_id=f"m{self.number}", kind=EntryKind.COUNT, counter=counter,
            occurred_at=self.clock, **fields,
        )  # fmt: skip
        write_entries(self.session, self.cell, [entry], actor=None, now=self.clock)

    def trial(self, device=None, *, kind=PlanKind.ZERO_FAILURE, share=None, name="trial",
              stage=Stage.BY_HAND, begins_at=None, **requirement):  # fmt: skip
        """Start a trial: half an hour alone (30 cycles) at 90 % chance and confidence."""
        numbers = {"stretch_hours": 0.5, "chance": 0.9, "confidence": 0.9, "design_rate": 0.0003}
        stored = define_requirement(
            self.session, self.cell,
            NewRequirement(name=f"for {name}", **(numbers | requirement)),
            actor=self.engineer, now=self.clock,
        )  # fmt: skip
        return start_trial(
            self.session, stored, name=name, stage=stage, plan_kind=kind, device=device,
            share=share, begins_at=begins_at, actor=self.engineer, now=self.clock,
        )  # fmt: skip


@pytest.fixture
def bench(session):
    return Bench(session)


@pytest.fixture
def trial(bench):
    """Return a trial whose cautions have been acknowledged."""
    trial = bench.trial()
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    return trial
