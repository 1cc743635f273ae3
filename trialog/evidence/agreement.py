"""The verdict's line on whether the log tells of every cycle that the machine ran."""

from __future__ import annotations

from collections.abc import Sequence

from trialog.evidence.gathering import Evidence
from trialog.evidence.parked import left_out_words, waiting_words
from trialog.evidence.reasons import Reason
from trialog.evidence.worst_case import untold, worst_case
from trialog.languages import counted, mark, t
from trialog.reliability import Plan, Standing

NAME = mark("log agrees with the machine counter")


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
    return Reason("counter", t(NAME), met, "; ".join(said))


def _counter(evidence: Evidence, plan: Plan, standing: Standing) -> tuple[bool, str]:
    """Hold the verdict against the worst case: every unlogged cycle was a failure, and the first
    in its shift."""
    if not evidence.reconciliations:
        return False, t("no shift to compare yet")
    if unclear := untold(evidence):
        listed = "; ".join(f"{item.label}: {t(item.state)}" for item in unclear[:3])
        if len(unclear) > 3:
            listed = t("{listed} and {number} more", listed=listed, number=len(unclear) - 3)
        return False, t("cannot be told for {listed}", listed=listed)
    if evidence.doubtful_readings:
        return False, t(
            "readings that good cycles rest on are in doubt ({listed}); where they are right "
            "all the same, write one of them in again",
            listed=_some(evidence.doubtful_readings),
        )
    if evidence.straddling_readings:
        return False, t(
            "the reading of shift {listed} vouches for good cycles from before and after the "
            "change “{change}”, and nobody can tell how many ran before it",
            listed=_some(evidence.straddling_readings),
            change=evidence.since.what,
        )
    between = _between_shifts(evidence)
    between += _readings_differ(evidence)
    worst = worst_case(evidence, plan, standing)
    if worst is None or worst.unlogged == 0:
        return True, t("every cycle that the machine counted was logged") + between
    decision = worst.standing.decision
    same = decision == standing.decision
    effect = (
        t("the verdict stays") if same else t("the plan would say {decision}", decision=t(decision))
    )
    said = t(
        "{cycles} counted by the machine and logged by nobody; were each a failure, {effect}",
        cycles=counted(worst.unlogged, "cycle"),
        effect=effect,
    )
    return same, said + between


def _readings_differ(evidence: Evidence) -> str:
    """Name shifts of which people and the machine say another count: the larger one was taken."""
    differ = [item for item in evidence.reconciliations if item.difference]
    if not differ:
        return ""
    shifts = "; ".join(
        t(
            "{shift}: {readings} by the typed readings, {machine} by the machine itself",
            shift=item.label,
            readings=item.by_readings,
            machine=item.by_machine,
        )
        for item in differ[:3]
    )
    if len(differ) > 3:
        shifts = t("{listed} and {number} more", listed=shifts, number=len(differ) - 3)
    said = t("the larger of two counts was taken ({shifts})", shifts=shifts)
    return f"; {said}"


def _some(readings: Sequence[str]) -> str:
    return "; ".join(readings[:3])


def _between_shifts(evidence: Evidence) -> str:
    """Name what the machine counted outside any shift.

    It is shown and not held against the devices: a machine also runs set-up parts and other
    work between shifts. Whoever signs must know of it.
    """
    if evidence.cycles_between_shifts == 0:
        return ""
    cycles = counted(evidence.cycles_between_shifts, "cycle")
    said = t("between shifts the machine counted {cycles} that no shift covers", cycles=cycles)
    return f"; {said}"
