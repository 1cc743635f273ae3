"""The log against the machine counter in reports: shift by shift, and the worst that may be."""

from __future__ import annotations

from dataclasses import dataclass, field

from trialog.evidence import CounterState, Evidence, Reconciliation, Verdict
from trialog.evidence.worst_case import WorstCase, untold, worst_case
from trialog.languages import t
from trialog.reliability import Decision, RateBounds, failure_rate_bounds
from trialog.reports import sentences, words


@dataclass(frozen=True)
class WorstShift:
    """A shift's counts were each unlogged cycle a failure; None where the counter cannot tell.

    `upper` is the exact one-sided bound on the failure rate, for one look.
    """

    cycles: int | None
    failures: int | None
    estimate: float | None
    upper: float | None
    words: str


@dataclass(frozen=True)
class ReconciledShift:
    """One shift of a trial's evidence, logged and counted. `cycles`, `failures`: the subject's."""

    shift: str
    logged: int
    counted: int | None
    unlogged: int | None
    state: CounterState
    words: str
    cycles: int
    failures: int
    worst: WorstShift
    shift_id: int = field(metadata={"omit": True})


@dataclass(frozen=True)
class WorstTrial:
    """A trial were each unlogged cycle a failure, the first in its shift.

    `upper` holds however often anybody looked. `plan_says`: where the plan would stand;
    `verdict`: the trial's, were that so.
    """

    cycles: int
    failures: int
    estimate: float | None
    upper: float
    plan_says: Decision
    verdict: Decision


@dataclass(frozen=True)
class Reconciled:
    """A trial's log against the counter. Sums over the shifts that tell; None where one cannot."""

    logged: int
    counted: int | None
    unlogged: int | None
    cycles_between_shifts: int
    verdict: Decision
    worst_case: WorstTrial | None
    shifts: tuple[ReconciledShift, ...]
    words: str


def worst_of_shift(compared: Reconciliation, bounds: RateBounds) -> WorstShift:
    """Say what the counts of a shift come to were each unlogged cycle a failure."""
    unlogged = compared.unlogged
    if compared.state not in (CounterState.AGREES, CounterState.UNLOGGED) or unlogged is None:
        said = t("How many cycles nobody logged cannot be told, so neither can the worst case.")
        return WorstShift(None, None, None, None, said)
    worst = failure_rate_bounds(
        bounds.failures + unlogged, bounds.cycles + unlogged, confidence=bounds.confidence
    )
    if unlogged == 0:
        said = t("Every cycle was logged, so the worst case is what was logged.")
    else:
        bounded = sentences.bounded(worst)
        said = t(
            "Were each of the {cycles} a failure: {bounded}",
            cycles=words.counted(unlogged, "unlogged cycle"),
            bounded=f"{bounded[:1].lower()}{bounded[1:]}",
        )
    return WorstShift(worst.cycles, worst.failures, worst.estimate, worst.upper, said)


def reconciled(verdict: Verdict) -> Reconciled:
    """Tell a trial's log against the machine counter."""
    evidence = verdict.evidence
    worst = worst_case(evidence, verdict.plan, verdict.standing)
    told = worst is not None and bool(evidence.reconciliations)
    compared = evidence.reconciliations
    return Reconciled(
        logged=sum(item.logged for item in compared),
        counted=sum(item.counted or 0 for item in compared) if told else None,
        unlogged=None if worst is None or not told else worst.unlogged,
        cycles_between_shifts=evidence.cycles_between_shifts,
        verdict=verdict.verdict,
        worst_case=None if worst is None or not told else _worst_trial(verdict, worst),
        shifts=tuple(_shifts(evidence, verdict.bounds.confidence)),
        words=_sentence(verdict, worst),
    )


def _shifts(evidence: Evidence, confidence: float) -> list[ReconciledShift]:
    rows = evidence.shifts.to_dict("records")
    return [
        ReconciledShift(
            shift=item.label,
            logged=item.logged,
            counted=item.counted,
            unlogged=item.unlogged,
            state=item.state,
            words=sentences.counter(item),
            cycles=int(row["cycles"]),
            failures=int(row["failures"]),
            worst=worst_of_shift(
                item,
                failure_rate_bounds(
                    int(row["failures"]), int(row["cycles"]), confidence=confidence
                ),
            ),
            shift_id=int(row["shift_id"]),
        )
        for row, item in zip(rows, evidence.reconciliations, strict=True)
    ]


def _worst_trial(verdict: Verdict, worst: WorstCase) -> WorstTrial:
    return WorstTrial(
        cycles=worst.cycles,
        failures=worst.failures,
        estimate=worst.failures / worst.cycles if worst.cycles else None,
        upper=worst.standing.upper,
        plan_says=worst.standing.decision,
        verdict=_verdict(verdict, worst.standing.decision),
    )


def _verdict(verdict: Verdict, plan_says: Decision) -> Decision:
    """Return the verdict were the plan to say so; the other lines stay as they are."""
    if plan_says == "NO-GO" or verdict.evidence.damage_failures:
        return "NO-GO"
    others_hold = all(reason.met for reason in verdict.reasons[1:])
    return "GO" if plan_says == "GO" and others_hold else "KEEP RUNNING"


def _sentence(verdict: Verdict, worst: WorstCase | None) -> str:
    """Say first what the counter makes of the evidence."""
    evidence = verdict.evidence
    if not evidence.reconciliations:
        return t("No shift to compare with the machine counter yet.")
    if worst is None:
        labels = words.listed([item.label for item in untold(evidence)])
        return t("How many cycles nobody logged cannot be told for {shifts}.", shifts=labels)
    if worst.unlogged == 0:
        return t("Every cycle that the machine counted in these shifts was logged.")
    now, then = verdict.verdict, _verdict(verdict, worst.standing.decision)
    told = {
        "unlogged": words.counted(worst.unlogged, "cycle"),
        "failures": worst.failures,
        "cycles": worst.cycles,
        "upper": words.rate_up(worst.standing.upper),
        "now": t(now),
        "then": t(then),
    }
    if now == then:
        return t(
            "{unlogged} that the machine counted nobody logged. Were each a failure: {failures} "
            "of {cycles}, at most {upper}, and the verdict stays {now}.",
            **told,
        )
    return t(
        "{unlogged} that the machine counted nobody logged. Were each a failure: {failures} of "
        "{cycles}, at most {upper}, and the verdict would be {then} instead of {now}.",
        **told,
    )
