"""The worst that the machine counter allows: every cycle that nobody logged was a failure."""

from __future__ import annotations

from dataclasses import dataclass

from trialog.evidence.gathering import Evidence
from trialog.evidence.reconciling import CounterState, Reconciliation
from trialog.reliability import Plan, Standing, standing_under

TOLD = (CounterState.AGREES, CounterState.UNLOGGED)
"""The states of a shift whose counter says how many cycles nobody logged."""


@dataclass(frozen=True)
class WorstCase:
    """A trial's counts and standing were each unlogged cycle a failure, the first in its shift."""

    cycles: int
    failures: int
    unlogged: int
    standing: Standing


def untold(evidence: Evidence) -> list[Reconciliation]:
    """Return the shifts whose counter cannot tell how many cycles nobody logged."""
    return [item for item in evidence.reconciliations if item.state not in TOLD]


def worst_case(evidence: Evidence, plan: Plan, standing: Standing) -> WorstCase | None:
    """Work out the worst case; None where the counter of a shift cannot tell.

    `standing` is the trial's own, which it keeps where every cycle was logged.
    """
    if untold(evidence):
        return None
    places, cycles = _with_unlogged(evidence)
    if cycles == evidence.cycles:
        return WorstCase(cycles, evidence.failures, 0, standing)
    return WorstCase(
        cycles=cycles,
        failures=len(places),
        unlogged=cycles - evidence.cycles,
        standing=standing_under(
            plan, places, places, cycles, confidence=evidence.trial.requirement.confidence
        ),
    )


def _with_unlogged(evidence: Evidence) -> tuple[list[int], int]:
    """Number the cycles anew with the unlogged ones put before those of their shift.

    Returns the places of all failures, the unlogged cycles among them, and the number of cycles.
    """
    places: list[int] = []
    before = added = 0
    counts = evidence.shifts["cycles"].astype(int).tolist()
    for counted, item in zip(counts, evidence.reconciliations, strict=True):
        unlogged = item.unlogged or 0
        places += range(before + added + 1, before + added + unlogged + 1)
        added += unlogged
        places += [at + added for at in evidence.earliest if before < at <= before + counted]
        before += counted
    return places, before + added
