"""The sentences that stand first on pages and documents."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

from trialog import reliability
from trialog.evidence import Reconciliation, SignedOff, Verdict, waiting_words
from trialog.evidence.plan_words import plan_words
from trialog.evidence.reconciling import CounterState, cycles_between, readings_between
from trialog.languages import mark, t, tn
from trialog.records.models import Shift
from trialog.records.words import Effect
from trialog.reliability import Crossing, Plan, RateBounds
from trialog.reports import words

BOUND_NOTES = {
    "peek_safe": mark(
        "This bound may be looked at after every cycle: its chance of ever having been too low is "
        "at most what the confidence leaves. The exact bound, {exact}, is lower and holds for one "
        "look at a number of cycles fixed beforehand."
    ),
    "after_stop": mark(
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
        return t("So far nothing is known of the failure rate: it may be anything.")
    return t(BOUND_NOTES[verdict.standing.bound_method], exact=exact)


def proven(verdict: Verdict) -> str:
    """Say what a trial has proven, what it must prove, and what is missing."""
    return " ".join([_proven_so_far(verdict), _required(verdict), *_missing(verdict)])


def _proven_so_far(verdict: Verdict) -> str:
    chance = words.chance_word(verdict.chance, verdict.share)
    if verdict.evidence.cycles == 0:
        return t("Nothing proven yet: no cycle has been counted.")
    if verdict.evidence.failures == verdict.evidence.cycles:
        return t("Nothing proven: every counted cycle failed.")
    if verdict.proven_stretch_seconds is None:
        return t("Proven so far: any stretch alone at {chance}.", chance=chance)
    stretch = words.stretch(verdict.proven_stretch_seconds)
    if verdict.verdict == "GO":
        return t("Proven: {stretch} alone at {chance}.", stretch=stretch, chance=chance)
    return t("Proven so far: {stretch} alone at {chance}.", stretch=stretch, chance=chance)


def _required(verdict: Verdict) -> str:
    required = words.length(verdict.required_stretch_seconds)
    if 0 < verdict.evidence.failures < verdict.evidence.cycles or (
        verdict.evidence.cycles and not verdict.evidence.failures
    ):
        return t("Required: {stretch}.", stretch=required)
    chance = words.chance_word(verdict.chance, verdict.share)
    return t("Required: {stretch} alone at {chance}.", stretch=required, chance=chance)


def _missing(verdict: Verdict) -> list[str]:
    if verdict.verdict == "GO":
        return [t("Every line of the verdict holds.")]
    if verdict.verdict == "NO-GO":
        return [_no_go(verdict)]
    if verdict.clean_cycles_to_go is None:
        return [t("No number of clean cycles leads to GO."), *_open_lines(verdict)]
    if verdict.clean_cycles_to_go:
        return [_cycles_to_go(verdict)]
    return [t("The plan has reached its GO line."), *_open_lines(verdict)]


def _cycles_to_go(verdict: Verdict) -> str:
    cycles = words.about_up(verdict.clean_cycles_to_go or 0)
    said = tn(
        "{cycles} more clean cycle, {shifts}.",
        "{cycles} more clean cycles, {shifts}.",
        verdict.clean_cycles_to_go or 0,
        cycles=cycles,
        shifts=words.counted(verdict.shifts_to_go or 0, "shift"),
    )
    return f"{said[0].upper()}{said[1:]}"


def _open_lines(verdict: Verdict) -> list[str]:
    """Name the lines that are not met."""
    names = [reason.name for reason in verdict.unmet]
    return [t("Still open: {lines}.", lines=words.listed(names))]


def _no_go(verdict: Verdict) -> str:
    damage = verdict.evidence.damage_failures
    if damage:
        failures = words.counted(damage, "relevant failure")
        lead = t("NO-GO: {failures} that can damage.", failures=failures)
    else:
        lead = t("NO-GO: {ground}.", ground=_what_the_plan_says(verdict))
    return f"{lead} {_after_no_go(verdict)}"


def _what_the_plan_says(verdict: Verdict) -> str:
    plan, failures = verdict.plan, verdict.evidence.failures
    if failures > plan.max_failures:
        found = words.counted(failures, "relevant failure")
        if plan.max_failures == 0:
            return t("{failures}, and the plan allows none", failures=found)
        return t(
            "{failures}, and the plan allows at most {most}",
            failures=found,
            most=plan.max_failures,
        )
    first = verdict.standing.first
    if first is None or first.decision != "NO-GO":
        first = Crossing("NO-GO", failures, verdict.evidence.cycles)
    return t(
        "{failures} within {cycles} crossed the plan's NO-GO line",
        failures=words.counted(first.failures, "relevant failure"),
        cycles=words.counted(first.cycles, "cycle"),
    )


def _after_no_go(verdict: Verdict) -> str:
    """Say what comes next: rulings where they could still lift the NO-GO, else a change."""
    if _rulings_could_lift(verdict):
        return tn(
            "Rule first: {number} failure not ruled on counts as relevant.",
            "Rule first: {number} failures not ruled on count as relevant.",
            verdict.evidence.unruled,
        )
    return t("Change the device and begin the evidence anew.")


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
        t(
            "The sign-off by {person} of {moment} has lapsed: {lapses}.",
            person=item.record.person_name,
            moment=words.moment(item.record.signed_at, zone),
            lapses="; ".join(item.lapses),
        )
        for item in signed
        if item.lapsed and not item.refused
    ]


def bounded(bounds: RateBounds, subject: str | None = None) -> str:
    """Say what counts alone show of a rate. `subject`: whose it is, in the language spoken."""
    if bounds.cycles == 0:
        return t("No cycle counted, so nothing is known of the failure rate.")
    if bounds.failures == bounds.cycles:
        return tn(
            "The one cycle counted failed, so nothing is known of the failure rate.",
            "All of the {number} cycles counted failed, so any failure rate may be true.",
            bounds.cycles,
        )
    counts = {
        "cycles": words.counted(bounds.cycles, "cycle"),
        "confidence": words.chance(bounds.confidence),
        "subject": subject or t("the failure rate"),
        "rate": words.rate_up(bounds.upper),
        "one_in": words.one_in(bounds.upper),
    }
    if not bounds.failures:
        return t(
            "No relevant failure in {cycles}: at {confidence} confidence {subject} is at most "
            "{rate} ({one_in}).",
            **counts,
        )
    return t(
        "{failures} in {cycles}: at {confidence} confidence {subject} is at most {rate} "
        "({one_in}).",
        failures=words.counted(bounds.failures, "relevant failure"),
        **counts,
    )


Moved = tuple[str, float | None, float | None]


def shift_proved(alone: RateBounds, changes: Sequence[Moved]) -> str:
    """Say what a shift proved: alone, and by how much it moved each trial's proven stretch.

    `changes`: trial, proven stretch in seconds before the shift and with it.
    """
    sentences, unmoved = [bounded(alone, t("the cell's failure rate"))], []
    for name, before, after in changes:
        if after is None or before is None:
            continue
        was, now = words.stretch(before), words.stretch(after)
        if was == now:
            unmoved.append(name)
        else:
            moved = {"trial": name, "was": was, "now": now}
            sentences.append(t("{trial}: the proven stretch goes from {was} to {now}.", **moved))
    if unmoved:
        trials = words.listed(unmoved)
        sentences.append(t("The proven stretch stays as it was for {trials}.", trials=trials))
    return " ".join(sentences)


def requirement(stated: reliability.Requirement) -> str:
    """Say a requirement and the limit that follows."""
    return t(
        "Run alone for {stretch} at {seconds} s a cycle, which is {cycles}, with {chance} chance "
        "of no stop, shown at {confidence} confidence. The whole cell may then fail in at most "
        "{limit} of its cycles.",
        stretch=words.length(stated.stretch_hours * 3600),
        seconds=words.given(stated.cycle_seconds),
        cycles=words.counted(stated.stretch_cycles, "cycle"),
        chance=words.chance(stated.chance),
        confidence=words.chance(stated.confidence),
        limit=words.rate_down(stated.cell_limit),
    )


def share(limit: float, of_chance: float, part: float, subject: str) -> str:
    """Say what part of the cell's allowance the subject of a trial has."""
    allowed = words.rate_down(limit)
    if part == 1:
        return t(
            "The {subject} has all of that allowance: at most {limit} of its cycles.",
            subject=subject,
            limit=allowed,
        )
    return t(
        "Of that allowance {subject} has {part}, {chance}: it may fail in at most {limit} of its "
        "cycles.",
        subject=subject,
        part=words.rate(part),
        chance=words.chance_word(of_chance, part),
        limit=allowed,
    )


def plan(fixed: Plan, kind: str) -> str:
    """Say a plan with the chances that a bad and a good device have to pass it."""
    sentence = t(
        "{kind} plan: {plan}. A device that fails at the limit passes with at most {chance} chance",
        kind=t(kind),
        plan=plan_words(fixed),
        chance=words.rate_up(fixed.pass_chance(fixed.limit)),
    )
    sentence = f"{sentence[0].upper()}{sentence[1:]}"
    if fixed.design is None:
        return f"{sentence}."
    good = t(
        "one at the design rate of {rate} with at least {chance}",
        rate=words.rate(fixed.design),
        chance=words.rate_down(fixed.pass_chance(fixed.design)),
    )
    return f"{sentence}, {good}."


def counter(compared: Reconciliation) -> str:
    """Say how a shift's log compares with the machine counter."""
    logged = words.counted(compared.logged, "cycle")
    if compared.state is CounterState.OPEN:
        return t("The shift is open; {cycles} logged so far.", cycles=logged)
    if compared.state is CounterState.RESET:
        return t(
            "{cycles} logged. The counter was reset during the shift, so it cannot tell.",
            cycles=logged,
        )
    if compared.counted is None:
        return t("{cycles} logged. There is no pair of readings to compare with.", cycles=logged)
    readings = t("from {opening} to {closing}", opening=compared.opening, closing=compared.closing)
    if compared.difference is not None and compared.difference > 0:
        readings = t(
            "by its own count; {cycles} by the typed readings", cycles=compared.by_readings
        )
    elif compared.event is not None:
        readings += f", {t(compared.event)}"
    lead = t(
        "The machine counted {counted} ({readings}), and {logged} were logged",
        counted=words.counted(compared.counted, "cycle"),
        readings=readings,
        logged=logged,
    )
    unlogged = compared.unlogged or 0
    if unlogged == 0:
        return f"{lead}: {t('they agree')}."
    cycles = words.counted(abs(unlogged), "cycle")
    if unlogged > 0:
        return f"{lead}: {t('{cycles} nobody logged', cycles=cycles)}."
    return f"{lead}: {t('{cycles} more than the machine counted', cycles=cycles)}."


def gap(shift: Shift, previous: Shift | None) -> str:
    """Say what the counter did between the previous shift's closing and this one's opening."""
    if previous is None:
        return t("No earlier shift on this cell.")
    readings = readings_between(previous, shift)
    if readings is None:
        return t(
            "No pair of readings to compare with the closing of shift {shift}.",
            shift=previous.label,
        )
    before, opening = readings
    cycles = cycles_between(previous, shift)
    if cycles is None:
        return t(
            "The counter fell from {before} to {opening} between the closing of shift {shift} and "
            "this opening: it rolled over, was reset, or was misread.",
            before=before,
            opening=opening,
            shift=previous.label,
        )
    if cycles == 0:
        return t(
            "The counter did not move between the closing of shift {shift} and this opening.",
            shift=previous.label,
        )
    said = words.counted(cycles, "cycle")
    if opening > before:
        return t(
            "The machine counted {cycles} between the closing of shift {shift} and this opening, "
            "outside any shift.",
            cycles=said,
            shift=previous.label,
        )
    return t(
        "The machine counted {cycles} between the closing of shift {shift} and this opening, "
        "outside any shift; its counter rolled over meanwhile.",
        cycles=said,
        shift=previous.label,
    )
