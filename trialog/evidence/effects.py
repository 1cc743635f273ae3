"""What would change each line of a verdict, in sentences.

Nothing is counted here: the plan is asked again, with one failure more, or with one made a
no-test and the cycles numbered without it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from trialog.evidence.coverage import asked_of, missing_of
from trialog.evidence.gathering import Evidence
from trialog.evidence.lacking import lacking
from trialog.evidence.numbering import FailedCycle, Numbering
from trialog.evidence.reasons import Reason
from trialog.evidence.reconciling import CounterState
from trialog.evidence.verdict import Verdict
from trialog.languages import counted, listed, mark, numeral, t, tn
from trialog.records.words import Effect
from trialog.reliability import Decision, Plan, decision_under

MOST_TRIED = 50
"""How many of the failures, the newest, are tried as non-relevant: one may wait for no more."""

MOST_NAMED = 3
"""How many lines of the logbook one sentence names."""

Places = Sequence[int]


def explained(verdict: Verdict) -> Verdict:
    """Return a verdict whose lines say what would change them."""
    effects = {
        "plan": _plan,
        "damage": _damage,
        "rulings": _rulings,
        "counter": _counter,
        "changes": _changes,
        "conditions": _conditions,
        "patterns": _patterns,
        "cautions": _cautions,
    }
    reasons = tuple(
        replace(reason, would_change=tuple(effects[reason.key](verdict, reason)))
        for reason in verdict.reasons
    )
    return replace(verdict, reasons=reasons)


@dataclass(frozen=True)
class _Outlook:
    """What the plan says of some counts, and at how many cycles it says GO with those failures."""

    decision: Decision
    line: int | None


def _outlook(plan: Plan, earliest: Places, latest: Places, cycles: int) -> _Outlook:
    return _Outlook(decision_under(plan, earliest, latest, cycles), plan.go_line(len(earliest)))


def _now(verdict: Verdict) -> _Outlook:
    evidence = verdict.evidence
    return _outlook(verdict.plan, evidence.earliest, evidence.latest, evidence.cycles)


def _with_one_more(verdict: Verdict) -> _Outlook:
    """Try the plan with a failed cycle after the last."""
    evidence = verdict.evidence
    cycles = evidence.cycles + 1
    return _outlook(verdict.plan, (*evidence.earliest, cycles), (*evidence.latest, cycles), cycles)


@lru_cache(maxsize=128)
def _each_without(
    plan: Plan, numbering: Numbering, cycles: int, sequences: tuple[int, ...]
) -> tuple[_Outlook, ...]:
    """Try the plan with each of some failed cycles made a no-test.

    It is remembered: page after page explains the verdict of the same record.
    """

    def without(sequence: int) -> _Outlook:
        earliest, latest = (numbering.places_without(sequence, late=late) for late in (False, True))
        return _outlook(plan, earliest, latest, cycles - 1)

    return tuple(without(sequence) for sequence in sequences)


def _moves(before: _Outlook, after: _Outlook) -> str:
    """Say what brings the plan from one outlook to another; goes after a subject."""
    if after.decision == "NO-GO" or after.line is None:
        same = before.decision == "NO-GO"
        return t("leaves the plan at NO-GO") if same else t("takes the plan to NO-GO")
    if before.decision == "NO-GO" or before.line is None:
        return t("lifts the plan's NO-GO, with GO at {cycles} cycles", cycles=after.line)
    if before.line == after.line:
        return t("leaves GO at {cycles} cycles", cycles=after.line)
    return t("moves GO from {was} to {cycles} cycles", was=before.line, cycles=after.line)


def _leaves(before: _Outlook, after: _Outlook) -> bool:
    """Say whether the plan is where it was."""
    if after.decision == "NO-GO" or after.line is None:
        return before.decision == "NO-GO"
    return before.decision != "NO-GO" and before.line == after.line


def _plan(verdict: Verdict, reason: Reason) -> Iterator[str]:
    now = _now(verdict)
    if not reason.met:
        yield _clean_cycles(verdict, now)
    if now.decision != "NO-GO":
        names = [t("“{name}”", name=name) for name in verdict.evidence.counts.modes["mode"]]
        moves = _moves(now, _with_one_more(verdict))
        if names:
            yield t("One more {failure} {moves}.", failure=listed(names, "or"), moves=moves)
        else:
            yield t("One more failure {moves}.", moves=moves)
    yield from _rulings_out(verdict, now)


def _clean_cycles(verdict: Verdict, now: _Outlook) -> str:
    missing = verdict.clean_cycles_to_go
    if missing is None and verdict.evidence.damage_failures:
        return t("No number of clean cycles makes up for a failure that can damage.")
    if missing is None:
        return t(
            "No number of clean cycles leads to GO: a NO-GO line that was crossed stays crossed."
        )
    return tn(
        "{number} more clean cycle brings it to its GO line at {cycles} cycles.",
        "{number} more clean cycles bring it to its GO line at {cycles} cycles.",
        missing,
        cycles=now.line,
    )


def _rulings_out(verdict: Verdict, now: _Outlook) -> Iterator[str]:
    """Say what a non-relevant ruling on a single failure would do, where it would do anything."""
    evidence = verdict.evidence
    tried = [cycle for cycle in evidence.numbering.failed if cycle.relevant][-MOST_TRIED:]
    sequences = tuple(cycle.sequence for cycle in tried)
    outlooks = _each_without(verdict.plan, evidence.numbering, evidence.cycles, sequences)
    alike: dict[str, list[FailedCycle]] = defaultdict(list)
    for cycle, without in zip(tried, outlooks, strict=True):
        if not _leaves(now, without):
            alike[_moves(now, without)].append(cycle)
    for moves, cycles in alike.items():
        lines = _lines(cycles)
        if len(cycles) == 1:
            yield t(
                "The failure on {lines}, ruled non-relevant, {moves}.", lines=lines, moves=moves
            )
        else:
            yield t(
                "Each of the failures on {lines}, ruled non-relevant, {moves}.",
                lines=lines,
                moves=moves,
            )


def _lines(cycles: Sequence[FailedCycle]) -> str:
    """Name lines of the logbook; of many the newest."""
    numbers = [numeral(cycle.sequence) for cycle in cycles]
    if len(numbers) > MOST_NAMED:
        more = len(numbers) - MOST_NAMED
        newest = ", ".join(numbers[-MOST_NAMED:])
        return t("lines {newest} and {more} older", newest=newest, more=more)
    if len(numbers) == 1:
        return t("line {line}", line=numbers[0])
    return t("lines {lines}", lines=listed(numbers))


def _damage(verdict: Verdict, reason: Reason) -> Iterator[str]:
    modes = verdict.evidence.counts.modes
    damaging = modes[modes["effect"] == Effect.DAMAGE]
    if not reason.met:
        ids = set(damaging["mode_id"])
        cycles = [cycle for cycle in verdict.evidence.numbering.failed if ids & set(cycle.modes)]
        yield t(
            "It holds once all that can damage on {lines} is ruled non-relevant, or the device is "
            "changed and the evidence begins anew.",
            lines=_lines(cycles),
        )
    elif len(damaging):
        names = [t("“{name}”", name=name) for name in damaging["mode"]]
        yield t(
            "One {failure} makes the verdict NO-GO, whatever the plan says.",
            failure=listed(names, "or"),
        )
    else:
        yield t(
            "No failure mode of the {subject} can damage, so nothing breaks it.",
            subject=verdict.subject,
        )


def _rulings(verdict: Verdict, reason: Reason) -> Iterator[str]:
    if reason.met:
        yield t("The next failure breaks it, until an engineer has ruled on that one.")
        return
    waiting = [cycle for cycle in verdict.evidence.numbering.failed if cycle.unruled]
    yield t("It holds once an engineer has ruled on {lines}.", lines=_lines(waiting))


CURES = {
    CounterState.OPEN: mark("It needs that shift {shifts} closes with the counter's reading."),
    CounterState.NO_READING: mark("It needs that shift {shifts} gets the readings that it lacks."),
    CounterState.RESET: mark(
        "It needs that shift {shifts} gets readings without a reset between them."
    ),
    CounterState.TOO_MANY: mark(
        "It needs that shift {shifts} gets a corrected reading, or what was logged twice in it is "
        "undone."
    ),
    CounterState.UNLOGGED: mark(
        "It needs that shift {shifts} gets its missing cycles logged, or a corrected reading."
    ),
}
"""What makes a shift's log agree with the machine's counter."""


def _counter(verdict: Verdict, reason: Reason) -> Iterator[str]:
    evidence = verdict.evidence
    if reason.met:
        yield t(
            "A shift that is opened, one without readings, or a line from a tablet that is not "
            "taken breaks it until that is seen to."
        )
        return
    if evidence.parked.waiting:
        waiting = counted(evidence.parked.waiting, "parked line")
        yield t("An engineer has to see to the {lines}: write in or leave out.", lines=waiting)
    if not evidence.reconciliations:
        yield t("It can hold once a shift with counter readings is closed.")
    states = (state for state in CURES if any(_in(evidence, state)))
    yield from (t(CURES[state], shifts=listed([*_in(evidence, state)])) for state in states)
    if evidence.doubtful_readings:
        yield t("An engineer has to write one of the readings in doubt in again, right or mended.")
    if evidence.straddling_readings:
        yield t(
            "The change has to be undone and recorded again a minute after a reading at most, so "
            "that no cycle up to that reading counts for what is new."
        )


def _in(evidence: Evidence, state: CounterState) -> Iterator[str]:
    return (item.label for item in evidence.reconciliations if item.state is state)


def _changes(verdict: Verdict, _reason: Reason) -> Iterator[str]:
    whole = verdict.evidence.trial.device is None
    yield t(
        "A change to {subject} that resets the evidence begins it anew: what was counted so far, "
        "{cycles}, then counts no more.",
        subject=t("a device of the cell") if whole else verdict.subject,
        cycles=counted(verdict.evidence.cycles, "cycle"),
    )
    if not all(change.reason for change in verdict.evidence.changes):
        yield t("It holds once each change that kept the evidence has its reason in writing.")


def _conditions(verdict: Verdict, _reason: Reason) -> Iterator[str]:
    asked = asked_of(verdict.evidence.trial.requirement)
    missing = missing_of(verdict.evidence.conditions, asked)
    if missing:
        yield t("It holds with {more}.", more=listed(lacking(missing)))
    elif asked:
        yield t("Only evidence that begins anew breaks it.")
    else:
        yield t("Nothing: the requirement asks for none.")


def _patterns(_verdict: Verdict, reason: Reason) -> Iterator[str]:
    if not reason.met:
        yield t(
            "It holds once somebody acknowledges the pattern in writing, or rulings take failures "
            "out of it."
        )
    else:
        yield t("A failure, or a ruling that makes one relevant, has it looked at again.")


def _cautions(_verdict: Verdict, reason: Reason) -> Iterator[str]:
    if reason.met:
        yield t("Nothing: what somebody acknowledged stays on record.")
    else:
        yield t("It holds once an engineer or approver acknowledges the cautions of this trial.")
