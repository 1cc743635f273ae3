"""How often a bad device gets a GO: worked out exactly, and simulated where failures bunch.

The engineer here looks whenever there is something to see and stops at the first GO. Nothing is
taken from the plans' own chances: the walk below asks a plan what it says of each count and adds
up, and the simulation asks the functions that the verdict asks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from trialog.evidence.patterns import find_patterns
from trialog.reliability import (
    Plan,
    fixed_plan,
    sequential_plan,
    standing_under,
    zero_failure_plan,
)

GOOD_PASS = 0.9


def plans_for(limit: float, confidence: float) -> dict[str, Plan]:
    """Return a plan of each kind for a limit, for devices that should fail ten times less often."""
    design, risks = limit / 10, {"confidence": confidence, "good_pass": GOOD_PASS}
    return {
        "zero-failure": zero_failure_plan(limit, confidence, design),
        "fixed-size": fixed_plan(limit, design, **risks),
        "sequential": sequential_plan(limit, design, **risks),
    }


def ever_go(plan: Plan, rate: float) -> float:
    """P(the plan says GO at one of the looks, of which there is one after every cycle)."""
    alive, go = np.array([1.0]), 0.0
    for cycles in range(1, plan.max_cycles + 1):
        alive = np.append(alive * (1 - rate), 0.0) + np.append(0.0, alive * rate)
        for failures in np.flatnonzero(alive).tolist():
            said = plan.decide(failures, cycles)
            if said != "KEEP RUNNING":
                go += float(alive[failures]) if said == "GO" else 0.0
                alive[failures] = 0.0
        alive = np.trim_zeros(alive, "b")
    return go


# Failures in bursts. Every device below fails as often as the limit allows, on average.

LIMIT, CONFIDENCE = 0.002, 0.95
SHIFTS, CYCLES = 32, 400
ASKED = 12
"""Shifts that a requirement may ask for, as the third way to decide does."""

Failed = np.ndarray
"""Whether each cycle failed: shape (trials, SHIFTS * CYCLES)."""

Draw = Callable[[int, np.random.Generator], Failed]


def burst_plans() -> dict[str, Plan]:
    """Return plans that allow no failure, few and many.

    The last is for a device that should fail half as often as the limit, so it has to allow many.
    """
    few, risks = plans_for(LIMIT, CONFIDENCE), {"confidence": CONFIDENCE, "good_pass": GOOD_PASS}
    return {
        "zero-failure": few["zero-failure"],
        "sequential": few["sequential"],
        "fixed-size": fixed_plan(LIMIT, LIMIT / 2, **risks),
    }


def steady(trials: int, rng: np.random.Generator) -> Failed:
    return rng.random((trials, SHIFTS * CYCLES), dtype=np.float32) < LIMIT


def by_shift(correlation: float) -> Draw:
    """Make a device whose rate is drawn anew for each shift, from a beta distribution."""
    weight = (1 - correlation) / correlation

    def draw(trials: int, rng: np.random.Generator) -> Failed:
        rates = rng.beta(LIMIT * weight, (1 - LIMIT) * weight, size=(trials, SHIFTS, 1))
        cycles = rng.random((trials, SHIFTS, CYCLES), dtype=np.float32)
        return (cycles < rates.astype(np.float32)).reshape(trials, -1)

    return draw


def by_spells(spell: int, rate: float) -> Draw:
    """Make a device that goes wrong by spells: a Markov chain of two states.

    In a spell, `spell` cycles long on average, it fails at `rate`; between spells never.
    """
    ends, share = 1 / spell, LIMIT / rate
    begins = ends * share / (1 - share)

    def draw(trials: int, rng: np.random.Generator) -> Failed:
        bad = rng.random(trials) < share
        failed = np.zeros((trials, SHIFTS * CYCLES), dtype=bool)
        for cycle in range(SHIFTS * CYCLES):
            chance, turn = rng.random((2, trials), dtype=np.float32)
            failed[:, cycle] = bad & (chance < rate)
            bad = np.where(bad, turn >= ends, turn < begins)
        return failed

    return draw


DEVICES: dict[str, Draw] = {
    "steady": steady,
    "by shift, 0.005": by_shift(0.005),
    "by shift, 0.02": by_shift(0.02),
    "spells of 50": by_spells(50, 0.05),
    "spells of 400": by_spells(400, 0.02),
}


@dataclass(frozen=True)
class FalseGo:
    """How many of so many trials got a GO: from the plan alone, with the line on trends and
    bursts, and with that line and so many shifts asked for."""

    plan: str
    device: str
    trials: int
    plan_alone: int
    with_line: int
    with_shifts: int


def simulate(trials: int, seed: int) -> Iterator[FalseGo]:
    """Run trials of each device; the engineer looks after each shift and stops at the first GO."""
    for number, (device, draw) in enumerate(DEVICES.items()):
        failed = draw(trials, np.random.default_rng([seed, number]))
        places = [np.flatnonzero(row) + 1 for row in failed]
        for name, plan in burst_plans().items():
            seen = np.array([gos(plan, of_trial) for of_trial in places])
            yield FalseGo(name, device, trials, *seen.sum(axis=0).tolist())


def gos(plan: Plan, places: np.ndarray) -> tuple[bool, bool, bool]:
    """Say for each way to decide whether a trial ever gets a GO at the end of a shift."""
    ends = CYCLES * np.arange(1, SHIFTS + 1)
    counts = np.searchsorted(places, ends, side="right")
    plan_alone = with_line = False
    for shifts in range(1, SHIFTS + 1):
        failures, cycles = int(counts[shifts - 1]), int(ends[shifts - 1])
        if failures > plan.max_failures:
            break  # failures never become fewer, so no later look can be a GO
        # The standing asks this too, and works out bounds besides.
        if plan.decide(failures, cycles) != "GO" or (with_line and shifts < ASKED):
            continue
        so_far = places[:failures].tolist()
        if standing_under(plan, so_far, so_far, cycles, confidence=CONFIDENCE).decision != "GO":
            break  # the NO-GO line was crossed before, and the first line decides
        plan_alone = True
        by_shift = np.diff(counts[:shifts], prepend=0)
        lengths = np.full(shifts, CYCLES)
        if not any(find_patterns(so_far, cycles, by_shift, lengths, confidence=CONFIDENCE)):
            with_line = True
            if shifts >= ASKED:
                return True, True, True
    return plan_alone, with_line, False
