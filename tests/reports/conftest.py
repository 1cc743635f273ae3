"""A cell with three weeks' worth of everything a report has to say."""

from __future__ import annotations

import hashlib
import itertools
from datetime import timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session
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
from support.demo import DEMO_NOW, DEMO_ZONE

from trialog.evidence import define_requirement, start_trial
from trialog.languages import speaking
from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.models import Tablet, Trial
from trialog.records.parking import park
from trialog.records.photos import store_photo
from trialog.records.queries import find_trial, shifts_of
from trialog.records.setup import NewRequirement
from trialog.records.words import Condition, EntryKind, PlanKind, Stage
from trialog.reports.kinds import KINDS, document

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
            line._replace(occurred_at=start + timedelta(minutes=10 * place), **person)
            for place, line in enumerate(lines)
        ]
        self.write(*placed)
        self.write(ruling(placed[-3].client_id, False, reason="pallet was misloaded"))
        return placed

    def tablet(self, name="blue tablet"):
        """Add a tablet that never sends anything here: its key is nobody's."""
        with unit_of_work(self.session):
            tablet = Tablet(name=name, key_hash=name, enrolled_at=self.now)
            self.session.add(tablet)
        return tablet

    def tapper(self, name="blue tablet", *, person=None, label="T", ahead=timedelta(0)):
        """Return a function that makes lines of a tablet whose clock runs ahead."""
        tablet, numbers = self.tablet(name), itertools.count(1)
        person = person or self.people.operator

        def tap(kind, minutes=0, **fields):
            moment = self.now - timedelta(hours=4) + timedelta(minutes=minutes)
            number = next(numbers)
            facts = {
                "client_id": f"{tablet.id}-{number}", "kind": kind, "shift": label,
                "person_id": person.id, "occurred_at": moment, "tablet_id": tablet.id,
                "tablet_number": number, "tablet_time": moment + ahead,
            }  # fmt: skip
            return NewEntry(**facts | fields)

        tap.tablet = tablet
        return tap

    def photo(self, content, tablet):
        """Store a photo and return its hash."""
        content = b"\xff\xd8\xff" + content
        sha256 = hashlib.sha256(content).hexdigest()
        with unit_of_work(self.session):
            store_photo(self.session, sha256, content, tablet=tablet, now=self.now)
        return sha256

    def park(self, tablet, line_id="parked", **line):
        with unit_of_work(self.session):
            return park(
                self.session, self.cell.cell, tablet, self.people.operator, client_id=line_id,
                line={"client_id": line_id} | line, why="it breaks a rule", now=self.now,
            )  # fmt: skip

    def tablet_shift(self):
        """Log a shift from two tablets: a photo, spot checks, a line parked. Return what taps."""
        blue = self.tapper(ahead=timedelta(minutes=2, seconds=5))
        green = self.tapper("green tablet", person=self.people.engineer)
        chips = {"cycles": 1, "mode_ids": (self.cell.chips.id,)}
        failed = blue(EntryKind.FAILED, 20, text="stuck", **chips)
        self.write(
            blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND, counter=0),
            blue(EntryKind.GOOD, 10, cycles=16),
            failed,
            blue(EntryKind.PHOTO, 21, target=failed.client_id,
                 photo=self.photo(b"chips on the chuck", blue.tablet)),
            blue(EntryKind.STOP, 22, clear_seconds=41),
            blue(EntryKind.GOOD, 30, cycles=3, order_known=False),
            blue(EntryKind.GOOD, 40, counter=40),
            green(EntryKind.CHECK, 41, cycles=15),
            green(EntryKind.CHECK, 42, cycle_number=18, **chips),
            green(EntryKind.CHECK, 43, cycles=1, cycle_number=31,
                  mode_ids=(self.cell.dropped.id,)),
            blue(EntryKind.CHECK, 44, cycles=4),
            blue(EntryKind.SHIFT_CLOSED, 50, counter=40),
        )  # fmt: skip
        self.park(green.tablet, shift="T")
        self.park(green.tablet, "odd", shift=7)
        return blue, green

    def shifts(self):
        return {shift.label: shift for shift in shifts_of(self.session, self.cell.cell)}


@pytest.fixture(scope="session")
def demo_reports(demo_engine):
    """Return the function that makes the demo's report of a kind: the report, and its document.

    Each is made once; with the most to say of its kind.
    """

    @cache
    def make(name, language="en"):
        kind = KINDS[name]
        with Session(demo_engine) as session, speaking(language):
            about = () if kind.model is None else (_telling(session, kind.model),)
            report = kind.build(session, *about, now=DEMO_NOW, zone=DEMO_ZONE)
            return report, document(report)

    return make


def _telling(session, model):
    if model is Trial:
        return find_trial(session, "Flood lance, by hand")
    return session.scalars(select(model).order_by(model.id.desc())).first()


@pytest.fixture
def shop(session, cell, people, now):
    return Shop(session, cell, people, now)


@pytest.fixture
def zone():
    return ZONE
