"""A bad device seldom gets a GO, however often somebody looks: exactly, and through the records.

The device here fails as often as the limit allows. The engineer looks after every cycle and stops
at the first GO.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import timedelta

import pytest
from scipy import stats
from support.decisions import ever_go, plans_for
from support.intake import Tablet
from support.peeking import ever_wrong

from trialog.evidence import acknowledge, define_requirement, judge, start_trial
from trialog.records.entries import NewEntry
from trialog.records.logbook import write_entries
from trialog.records.models import Person
from trialog.records.models import Tablet as TabletRow
from trialog.records.setup import NewRequirement, add_cell, add_device, add_mode
from trialog.records.words import AcknowledgementKind, Effect, EntryKind, PlanKind, Role, Stage
from trialog.reliability import failure_rate_bounds, standing_under

KINDS = ["zero-failure", "fixed-size", "sequential"]

# Exactly.


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("confidence", [0.6, 0.8, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("limit", [0.3, 0.1, 0.02, 0.004])
def test_a_false_go_is_no_more_likely_than_the_plan_allows(limit, confidence, kind):
    plan = plans_for(limit, confidence)[kind]
    chance = ever_go(plan, limit)
    assert 0 < chance <= (1 - confidence) * (1 + 1e-12)
    # 1e-12: both are sums of up to a thousand products, in another order
    assert chance == pytest.approx(plan.pass_chance(limit), abs=1e-12)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("worse", [1.5, 3.0])
def test_a_device_beyond_the_limit_gets_a_go_more_seldom_still(worse, kind):
    plan = plans_for(0.02, 0.9)[kind]
    assert ever_go(plan, worse * 0.02) < ever_go(plan, 0.02)


@pytest.mark.parametrize(("limit", "confidence", "cycles"), [(0.3, 0.6, 6), (0.6, 0.8, 13)])
@pytest.mark.parametrize("kind", KINDS)
def test_every_course_that_a_short_trial_can_take(limit, confidence, cycles, kind):
    """Each order of good and failed cycles, with what the verdict asks after each cycle of it.

    It goes on after the plan's end, and after a NO-GO, as people do.
    """
    plan = plans_for(limit, confidence)[kind]

    def go(course):
        if says_go(plan, course):
            return 1.0
        if len(course) == cycles:
            return 0.0
        return limit * go((*course, 1)) + (1 - limit) * go((*course, 0))

    assert plan.max_cycles < cycles
    assert go(()) == pytest.approx(plan.pass_chance(limit), abs=1e-12)


def says_go(plan, course):
    places = [at for at, failed in enumerate(course, 1) if failed]
    # Bounds are not asked for here, and take most of the time: counts alone tell many looks apart.
    if plan.decide(len(places), len(course)) != "GO":
        return False
    return standing_under(plan, places, places, len(course), confidence=0.9).decision == "GO"


def test_looking_at_the_plain_bound_gives_32_percent_instead_of_5():
    """The figure is the one in the design that trialog was made from."""
    assert ever_wrong("exact", 0.95, 0.01, cycles=20_000) == pytest.approx(0.32, abs=0.005)


@pytest.mark.parametrize(("rate", "confidence"), [(0.05, 0.9), (0.01, 0.95), (0.002, 0.95)])
def test_the_plain_bound_is_wrong_far_more_often_than_every_plan(rate, confidence):
    naive = ever_wrong("exact", confidence, rate, cycles=20_000)
    assert naive > 4 * max(ever_go(plan, rate) for plan in plans_for(rate, confidence).values())


# Through the records.

LIMIT, CONFIDENCE = 0.2, 0.9
DEVICES, ALWAYS = 50, 2


class Shop:
    """A cell with many devices, each tried under every kind of plan by the same cycles.

    `trials` has each trial with its device's number.
    """

    def __init__(self, session, now):
        self.session, self.now, self.cycle = session, now, 0
        self.people = {role: self._person(role) for role in Role}
        by = {"actor": self.people[Role.ENGINEER], "now": now}
        self.cell = add_cell(
            session, name="Cell", machine="M", part="P", operation="10",
            planned_cycle_seconds=60.0, counter_modulus=10_000, **by,
        )  # fmt: skip
        # One cycle alone, with a chance of 80 %: the limit is 20 %.
        requirement = NewRequirement(
            name="R", stretch_hours=0.025, chance=0.8, confidence=CONFIDENCE, design_rate=0.02
        )
        asked = define_requirement(session, self.cell, requirement, **by)
        self.modes, self.trials = [], {}
        for number in range(DEVICES):
            device = add_device(session, self.cell, f"device {number}", **by)
            self.modes.append(add_mode(session, device, f"miss {number}", Effect.STOPS, **by))
            for kind in PlanKind:
                trial = start_trial(
                    session, asked, name=f"{number} {kind}", stage=Stage.BY_HAND, plan_kind=kind,
                    device=device, share=1.0, **by,
                )  # fmt: skip
                self.trials[trial] = number
                acknowledge(session, trial, AcknowledgementKind.CAUTIONS, "read", **by)
        row = TabletRow(name="T", key_hash="T", enrolled_at=now)
        session.add(row)
        session.commit()
        self.tablet = Tablet(session, self.cell, row, self.people[Role.OPERATOR], now)

    def _person(self, role):
        person = Person(name=role, role=role, pin_hash="-", active=True, created_at=self.now)
        self.session.add(person)
        self.session.flush()
        return person

    def run_cycle(self, modes):
        """Log one cycle as a shift of its own, and rule on its failures: nothing is left open."""
        at, label = 60 * self.cycle, f"shift {self.cycle}"
        when = {"shift": label, "after": at}
        line = self.tablet.failed(*modes, **when) if modes else self.tablet.good(**when)
        taken = self.tablet.send(
            self.tablet.open(counter=self.cycle, **when),
            line,
            self.tablet.line(EntryKind.SHIFT_CLOSED, counter=self.cycle + 1, **when),
            after=at,
        )
        assert [one.status for one in taken] == ["added"] * 3
        self.cycle += 1
        if modes:
            ruling = NewEntry(
                client_id=f"ruling-{self.cycle}", kind=EntryKind.RULING, target=line.client_id,
                relevant=True, person_id=self.people[Role.ENGINEER].id,
            )  # fmt: skip
            self.write(ruling)

    def write(self, entry):
        moment = self.now + timedelta(seconds=60 * self.cycle)
        engineer = self.people[Role.ENGINEER]
        write_entries(self.session, self.cell, [entry], actor=engineer, now=moment)
        self.session.commit()

    def look(self, trial):
        """Say the verdict. The engineer takes note of any trend or burst without a thought."""
        verdict = judge(self.session, trial)
        if [reason.name for reason in verdict.unmet] == ["no trend or burst left unacknowledged"]:
            engineer, kind = self.people[Role.ENGINEER], AcknowledgementKind.PATTERN
            acknowledge(self.session, trial, kind, "seen", actor=engineer, now=self.now)
            verdict = judge(self.session, trial)
        return verdict.verdict


@dataclass(frozen=True)
class Season:
    """What became of every trial: by the records, by the draws alone, and by the plain bound."""

    said: set[str]
    drawn: set[str]
    plain: set[int]
    cycles: int


# Which database keeps the lines cannot matter to how many there are.
@pytest.mark.database("sqlite")
def test_through_the_records_a_bad_device_gets_a_go_as_seldom_as_the_plan_says(session, now):
    season = run_season(Shop(session, now), random.Random(20_260_302))
    assert season.said == season.drawn
    for kind, plan in plans_for(LIMIT, CONFIDENCE).items():
        gos = sum(name.endswith(kind) for name in season.said)
        assert gos
        assert plausible(gos, ever_go(plan, LIMIT))
    plain = ever_wrong("exact", CONFIDENCE, LIMIT, season.cycles)
    assert plain > 1.5 * (1 - CONFIDENCE)
    assert plausible(len(season.plain), plain)


def plausible(gos, chance):
    """Whether so many of the devices is a number that the chance gives 99 times in 100."""
    return stats.binomtest(gos, DEVICES, chance).pvalue > 0.01


def run_season(shop, rng):
    """Run cycles until every trial is decided; the engineer looks wherever a GO is possible.

    A few devices are looked at after every cycle. For the others the looks are left out at which
    the counts alone leave no GO: they take time and show nothing.
    """
    plans, failures = plans_for(LIMIT, CONFIDENCE), [0] * DEVICES
    said, drawn, plain, pending = set(), set(), set(), dict(shop.trials)
    while pending:
        failed = [number for number in range(DEVICES) if rng.random() < LIMIT]
        shop.run_cycle([shop.modes[number] for number in failed])
        for number in failed:
            failures[number] += 1
        plain |= {n for n in range(DEVICES) if plain_bound_says_go(failures[n], shop.cycle)}
        for trial, number in list(pending.items()):
            by_counts = plans[trial.plan_kind].decide(failures[number], shop.cycle)
            if by_counts == "GO":
                drawn.add(trial.name)
            if (by_counts == "GO" or number < ALWAYS) and shop.look(trial) == "GO":
                said.add(trial.name)
            if by_counts != "KEEP RUNNING":
                del pending[trial]
    return Season(said, drawn, plain, shop.cycle)


def plain_bound_says_go(failures, cycles):
    return failure_rate_bounds(failures, cycles, confidence=CONFIDENCE).upper <= LIMIT
