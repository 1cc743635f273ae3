"""The verdict's line on whether the log tells of every cycle that the machine ran."""

from __future__ import annotations

from trialog.evidence.gathering import Evidence
from trialog.evidence.parked import left_out_words, waiting_words
from trialog.evidence.reasons import Reason, some
from trialog.evidence.reconciling import CounterState
from trialog.reliability import Plan, Standing, standing_under

NAME = "log agrees with the machine counter"


def log_agrees(evidence: Evidence, plan: Plan, standing: Standing) -> Reason:
    """Hold where the log has every cycle, and no line waits outside it.

    A parked line may be a failure, a good cycle or a slip: until somebody has looked at it,
    nobody can tell whether the log is whole.
    """
    met, detail = _counter(evidence, plan, standing)
    said = [detail]
    if evidence.parked.left_out:
        said.append(left_out_words(evidence.parked.left_out))
    if evidence.parked.waiting:
        met = False
        said.insert(0, waiting_words(evidence.parked.waiting))
    return Reason(NAME, met, "; ".join(said))


def _counter(evidence: Evidence, plan: Plan, standing: Standing) -> tuple[bool, str]:
    """Hold the verdict against the worst case: every unlogged cycle was a failure, and the first
    in its shift."""
    if not evidence.reconciliations:
        return False, "no shift to compare yet"
    unclear = [
        item
        for item in evidence.reconciliations
        if item.state not in (CounterState.AGREES, CounterState.UNLOGGED)
    ]
    if unclear:
        listed = "; ".join(f"{item.label}: {item.state}" for item in unclear[:3])
        more = f" and {len(unclear) - 3} more" if len(unclear) > 3 else ""
        return False, f"cannot be told for {listed}{more}"
    if evidence.doubtful_readings:
        listed = "; ".join(evidence.doubtful_readings[:3])
        return False, (
            f"readings that good cycles rest on are in doubt ({listed}); where they are right "
            "all the same, write one of them in again"
        )
    unlogged = sum(item.unlogged or 0 for item in evidence.reconciliations)
    between = _between_shifts(evidence)
    if unlogged == 0:
        return True, f"every cycle that the machine counted was logged{between}"
    places, cycles = _with_unlogged(evidence)
    confidence = evidence.trial.requirement.confidence
    worst = standing_under(plan, places, places, cycles, confidence=confidence).decision
    same = worst == standing.decision
    effect = "the verdict stays" if same else f"the plan would say {worst}"
    return same, (
        f"{some(unlogged, 'cycle')} counted by the machine and logged by nobody; "
        f"were each a failure, {effect}{between}"
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


def _between_shifts(evidence: Evidence) -> str:
    """Name what the machine counted outside any shift.

    It is shown and not held against the devices: a machine also runs set-up parts and other
    work between shifts. Whoever signs must know of it.
    """
    if evidence.cycles_between_shifts == 0:
        return ""
    return (
        f"; between shifts the machine counted {some(evidence.cycles_between_shifts, 'cycle')} "
        "that no shift covers"
    )
