"""The verdict's line on whether the log tells of every cycle that the machine ran."""

from __future__ import annotations

from trialog.evidence.gathering import Evidence
from trialog.evidence.parked import left_out_words, waiting_words
from trialog.evidence.reasons import Reason, some
from trialog.evidence.worst_case import untold, worst_case
from trialog.reliability import Plan, Standing

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
    return Reason("counter", NAME, met, "; ".join(said))


def _counter(evidence: Evidence, plan: Plan, standing: Standing) -> tuple[bool, str]:
    """Hold the verdict against the worst case: every unlogged cycle was a failure, and the first
    in its shift."""
    if not evidence.reconciliations:
        return False, "no shift to compare yet"
    if unclear := untold(evidence):
        listed = "; ".join(f"{item.label}: {item.state}" for item in unclear[:3])
        more = f" and {len(unclear) - 3} more" if len(unclear) > 3 else ""
        return False, f"cannot be told for {listed}{more}"
    if evidence.doubtful_readings:
        listed = "; ".join(evidence.doubtful_readings[:3])
        return False, (
            f"readings that good cycles rest on are in doubt ({listed}); where they are right "
            "all the same, write one of them in again"
        )
    between = _between_shifts(evidence)
    worst = worst_case(evidence, plan, standing)
    if worst is None or worst.unlogged == 0:
        return True, f"every cycle that the machine counted was logged{between}"
    decision = worst.standing.decision
    same = decision == standing.decision
    effect = "the verdict stays" if same else f"the plan would say {decision}"
    return same, (
        f"{some(worst.unlogged, 'cycle')} counted by the machine and logged by nobody; "
        f"were each a failure, {effect}{between}"
    )


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
