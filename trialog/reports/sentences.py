"""The sentences that stand first on pages and documents."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

from trialog import reliability
from trialog.evidence import Reconciliation, SignedOff, Verdict, waiting_words
from trialog.evidence.reconciling import CounterState
from trialog.records.models import Shift
from trialog.records.words import Effect
from trialog.reliability import Crossing, Plan, RateBounds
from trialog.reports import words

BOUND_NOTES = {
    "peek_safe": (
        "This bound may be looked at after every cycle: its chance of ever having been too low is "
        "at most what the confidence leaves. The exact bound, {exact}, is lower and holds for one "
        "look at a number of cycles fixed beforehand."
    ),
    "after_stop": (
        "The plan has come to GO, and this bound is that of its stop: however often anybody "
        "looked on the way, it is too low with at most the chance that the confidence leaves. "
        "The exact bound of all cycles, {exact}, holds for one look at a number of cycles fixed "
        "beforehand."
    ),
}
"""What is said of each bound that a trial may be shown by."""


def note_on_bound(verdict: Verdict) -> str:
    """Say what kind of bound is shown of a trial."""
    exact = words.rate_up(verdict.bounds.upper)
    if verdict.bounds.upper == 1:
        return "So far nothing is known of the failure rate: it may be anything."
    return BOUND_NOTES[verdict.standing.bound_method].format(exact=exact)


def proven(verdict: Verdict) -> str:
    """Say what a trial has proven, what it must prove, and what is missing."""
    return " ".join([_proven_so_far(verdict), _required(verdict), *_missing(verdict)])


def _proven_so_far(verdict: Verdict) -> str:
    chance = words.chance_word(verdict.chance, verdict.share)
    if verdict.evidence.cycles == 0:
        return "Nothing proven yet: no cycle has been counted."
    if verdict.evidence.failures == verdict.evidence.cycles:
        return "Nothing proven: every counted cycle failed."
    if verdict.proven_stretch_seconds is None:
        return f"Proven so far: any stretch alone at {chance}."
    lead = "Proven" if verdict.verdict == "GO" else "Proven so far"
    stretch = words.stretch(verdict.proven_stretch_seconds)
    return f"{lead}: {stretch} alone at {chance}."


def _required(verdict: Verdict) -> str:
    required = words.length(verdict.required_stretch_seconds)
    if 0 < verdict.evidence.failures < verdict.evidence.cycles or (
        verdict.evidence.cycles and not verdict.evidence.failures
    ):
        return f"Required: {required}."
    return f"Required: {required} alone at {words.chance_word(verdict.chance, verdict.share)}."


def _missing(verdict: Verdict) -> list[str]:
    if verdict.verdict == "GO":
        return ["Every line of the verdict holds."]
    if verdict.verdict == "NO-GO":
        return [_no_go(verdict)]
    if verdict.clean_cycles_to_go is None:
        return ["No number of clean cycles leads to GO.", *_open_lines(verdict)]
    if verdict.clean_cycles_to_go:
        return [_cycles_to_go(verdict)]
    return ["The plan has reached its GO line.", *_open_lines(verdict)]


def _cycles_to_go(verdict: Verdict) -> str:
    cycles = words.about_up(verdict.clean_cycles_to_go or 0)
    noun = "clean cycle" if verdict.clean_cycles_to_go == 1 else "clean cycles"
    shifts = words.counted(verdict.shifts_to_go or 0, "shift")
    return f"{cycles[0].upper()}{cycles[1:]} more {noun}, {shifts}."


def _open_lines(verdict: Verdict) -> list[str]:
    """Name the lines that are not met."""
    names = [reason.name for reason in verdict.unmet]
    return [f"Still open: {words.listed(names)}."]


def _no_go(verdict: Verdict) -> str:
    damage = verdict.evidence.damage_failures
    if damage:
        return (
            f"NO-GO: {words.counted(damage, 'relevant failure')} that can damage. "
            f"{_after_no_go(verdict)}"
        )
    return f"NO-GO: {_what_the_plan_says(verdict)}. {_after_no_go(verdict)}"


def _what_the_plan_says(verdict: Verdict) -> str:
    plan, failures = verdict.plan, verdict.evidence.failures
    if failures > plan.max_failures:
        allowed = "none" if plan.max_failures == 0 else f"at most {plan.max_failures:,}"
        return f"{words.counted(failures, 'relevant failure')}, and the plan allows {allowed}"
    first = verdict.standing.first
    if first is None or first.decision != "NO-GO":
        first = Crossing("NO-GO", failures, verdict.evidence.cycles)
    return (
        f"{words.counted(first.failures, 'relevant failure')} within "
        f"{words.counted(first.cycles, 'cycle')} crossed the plan's NO-GO line"
    )


def _after_no_go(verdict: Verdict) -> str:
    """Say what comes next: rulings where they could still lift the NO-GO, else a change."""
    if _rulings_could_lift(verdict):
        waiting = verdict.evidence.unruled
        count = "counts" if waiting == 1 else "count"
        return f"Rule first: {words.counted(waiting, 'failure')} not ruled on {count} as relevant."
    return "Change the device and begin the evidence anew."


def _rulings_could_lift(verdict: Verdict) -> bool:
    evidence = verdict.evidence
    modes = evidence.counts.modes
    if not evidence.unruled:
        return False
    ruled = modes["failures"] - modes["unruled"]
    damage = ruled[modes["effect"] == Effect.DAMAGE].sum()
    # Failures of one cycle count once, so those that stay are at least the most of one mode.
    staying = max(evidence.failures - evidence.unruled, ruled.max())
    return bool(damage == 0 and verdict.plan.decide(int(staying), evidence.cycles) != "NO-GO")


def parked(verdict: Verdict) -> str:
    """Say how many lines from tablets wait to be seen to; empty where none does."""
    waiting = verdict.evidence.parked.waiting
    return f"{waiting_words(waiting)}." if waiting else ""


def lapsed(signed: Sequence[SignedOff], zone: tzinfo) -> list[str]:
    """Say which signatures no longer stand, and why."""
    return [
        f"The sign-off by {item.record.person_name} of "
        f"{words.moment(item.record.signed_at, zone)} has lapsed: {'; '.join(item.lapses)}."
        for item in signed
        if item.lapsed and not item.refused
    ]


def bounded(bounds: RateBounds, subject: str = "the failure rate") -> str:
    """Say what counts alone show of a rate."""
    if bounds.cycles == 0:
        return "No cycle counted, so nothing is known of the failure rate."
    failures = words.counted(bounds.failures, "relevant failure") if bounds.failures else "No"
    noun = "" if bounds.failures else " relevant failure"
    return (
        f"{failures}{noun} in {words.counted(bounds.cycles, 'cycle')}: at "
        f"{words.chance(bounds.confidence)} confidence {subject} is at most "
        f"{words.rate_up(bounds.upper)} ({words.one_in(bounds.upper)})."
    )


Moved = tuple[str, float | None, float | None]


def shift_proved(alone: RateBounds, changes: Sequence[Moved]) -> str:
    """Say what a shift proved: alone, and by how much it moved each trial's proven stretch.

    `changes`: trial, proven stretch in seconds before the shift and with it.
    """
    sentences, unmoved = [bounded(alone, "the cell's failure rate")], []
    for name, before, after in changes:
        if after is None or before is None:
            continue
        was, now = words.stretch(before), words.stretch(after)
        if was == now:
            unmoved.append(name)
        else:
            sentences.append(f"{name}: the proven stretch goes from {was} to {now}.")
    if unmoved:
        sentences.append(f"The proven stretch stays as it was for {words.listed(unmoved)}.")
    return " ".join(sentences)


def requirement(stated: reliability.Requirement) -> str:
    """Say a requirement and the limit that follows."""
    return (
        f"Run alone for {words.length(stated.stretch_hours * 3600)} at "
        f"{stated.cycle_seconds:g} s a cycle, which is "
        f"{words.counted(stated.stretch_cycles, 'cycle')}, with {words.chance(stated.chance)} "
        f"chance of no stop, shown at {words.chance(stated.confidence)} confidence. The whole "
        f"cell may then fail in at most {words.rate_down(stated.cell_limit)} of its cycles."
    )


def share(limit: float, of_chance: float, part: float, subject: str) -> str:
    """Say what part of the cell's allowance the subject of a trial has."""
    allowed = f"{words.rate_down(limit)} of its cycles"
    if part == 1:
        return f"The {subject} has all of that allowance: at most {allowed}."
    return (
        f"Of that allowance {subject} has {words.rate(part)}, "
        f"{words.chance_word(of_chance, part)}: it may fail in at most {allowed}."
    )


def plan(fixed: Plan, kind: str) -> str:
    """Say a plan with the chances that a bad and a good device have to pass it."""
    sentence = (
        f"{kind[0].upper()}{kind[1:]} plan: {fixed.in_words()}. A device that fails at the limit "
        f"passes with at most {words.rate_up(fixed.pass_chance(fixed.limit))} chance"
    )
    if fixed.design is None:
        return f"{sentence}."
    return (
        f"{sentence}, one at the design rate of {words.rate(fixed.design)} with at least "
        f"{words.rate_down(fixed.pass_chance(fixed.design))}."
    )


def counter(compared: Reconciliation) -> str:
    """Say how a shift's log compares with the machine counter."""
    logged = words.counted(compared.logged, "cycle")
    if compared.state is CounterState.OPEN:
        return f"The shift is open; {logged} logged so far."
    if compared.state is CounterState.RESET:
        return f"{logged} logged. The counter was reset during the shift, so it cannot tell."
    if compared.counted is None:
        return f"{logged} logged. There is no pair of readings to compare with."
    counted = words.counted(compared.counted, "cycle")
    readings = f"from {compared.opening:,} to {compared.closing:,}"
    if compared.event is not None:
        readings += f", {compared.event}"
    lead = f"The machine counted {counted} ({readings}), and {logged} were logged"
    unlogged = compared.unlogged or 0
    if unlogged == 0:
        return f"{lead}: they agree."
    if unlogged > 0:
        return f"{lead}: {words.counted(unlogged, 'cycle')} nobody logged."
    return f"{lead}: {words.counted(-unlogged, 'cycle')} more than the machine counted."


def gap(shift: Shift, previous: Shift | None) -> str:
    """Say what the counter did between the previous shift's closing and this one's opening."""
    if previous is None:
        return "No earlier shift on this cell."
    before, opening = previous.closing_counter, shift.opening_counter
    if before is None or opening is None:
        return f"No pair of readings to compare with the closing of shift {previous.label}."
    between = f"between the closing of shift {previous.label} and this opening"
    if opening == before:
        return f"The counter did not move {between}."
    if opening > before:
        return (
            f"The machine counted {words.counted(opening - before, 'cycle')} {between}, "
            "outside any shift."
        )
    return (
        f"The counter fell from {before:,} to {opening:,} {between}: it rolled over, was reset, "
        "or was misread."
    )
