"""What would change each line of a verdict, in sentences.

Nothing is counted here: the plan is asked again, with one failure more, or with one made a
no-test and the cycles numbered without it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from trialog.evidence.coverage import asked_of, missing_of
from trialog.evidence.gathering import Evidence
from trialog.evidence.numbering import FailedCycle
from trialog.evidence.reasons import Reason
from trialog.evidence.reconciling import CounterState
from trialog.evidence.verdict import Verdict
from trialog.languages import counted as some
from trialog.languages import listed
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


def _without(verdict: Verdict, cycle: FailedCycle) -> _Outlook:
    """Try the plan with one failed cycle made a no-test."""
    left = verdict.evidence.numbering.without(cycle.sequence)
    return _outlook(verdict.plan, left.places(late=False), left.places(late=True), left.cycles)


def _moves(before: _Outlook, after: _Outlook) -> str:
    """Say what brings the plan from one outlook to another; goes after a subject."""
    if after.decision == "NO-GO" or after.line is None:
        same = before.decision == "NO-GO"
        return "leaves the plan at NO-GO" if same else "takes the plan to NO-GO"
    if before.decision == "NO-GO" or before.line is None:
        return f"lifts the plan's NO-GO, with GO at {after.line:,} cycles"
    if before.line == after.line:
        return f"leaves GO at {after.line:,} cycles"
    return f"moves GO from {before.line:,} to {after.line:,} cycles"


def _plan(verdict: Verdict, reason: Reason) -> Iterator[str]:
    now = _now(verdict)
    if not reason.met:
        yield _clean_cycles(verdict, now)
    if now.decision != "NO-GO":
        names = [f"“{name}”" for name in verdict.evidence.counts.modes["mode"]]
        one = f"One more {listed(names, 'or')}" if names else "One more failure"
        yield f"{one} {_moves(now, _with_one_more(verdict))}."
    yield from _rulings_out(verdict, now)


def _clean_cycles(verdict: Verdict, now: _Outlook) -> str:
    missing = verdict.clean_cycles_to_go
    if missing is None and verdict.evidence.damage_failures:
        return "No number of clean cycles makes up for a failure that can damage."
    if missing is None:
        return "No number of clean cycles leads to GO: a NO-GO line that was crossed stays crossed."
    bring = "brings" if missing == 1 else "bring"
    return f"{some(missing, 'more clean cycle')} {bring} it to its GO line at {now.line:,} cycles."


def _rulings_out(verdict: Verdict, now: _Outlook) -> Iterator[str]:
    """Say what a non-relevant ruling on a single failure would do, where it would do anything."""
    failed = [cycle for cycle in verdict.evidence.numbering.failed if cycle.relevant]
    alike: dict[str, list[FailedCycle]] = defaultdict(list)
    for cycle in failed[-MOST_TRIED:]:
        alike[_moves(now, _without(verdict, cycle))].append(cycle)
    for words, cycles in alike.items():
        if not words.startswith("leaves"):
            subject = "The failure" if len(cycles) == 1 else "Each of the failures"
            yield f"{subject} on {_lines(cycles)}, ruled non-relevant, {words}."


def _lines(cycles: Sequence[FailedCycle]) -> str:
    """Name lines of the logbook; of many the newest."""
    numbers = [f"{cycle.sequence:,}" for cycle in cycles]
    if len(numbers) > MOST_NAMED:
        more = len(numbers) - MOST_NAMED
        return f"lines {', '.join(numbers[-MOST_NAMED:])} and {more:,} older"
    return ("line " if len(numbers) == 1 else "lines ") + listed(numbers)


def _damage(verdict: Verdict, reason: Reason) -> Iterator[str]:
    modes = verdict.evidence.counts.modes
    damaging = modes[modes["effect"] == Effect.DAMAGE]
    if not reason.met:
        ids = set(damaging["mode_id"])
        cycles = [cycle for cycle in verdict.evidence.numbering.failed if ids & set(cycle.modes)]
        yield (
            f"It holds once all that can damage on {_lines(cycles)} is ruled non-relevant, or the "
            "device is changed and the evidence begins anew."
        )
    elif len(damaging):
        names = [f"“{name}”" for name in damaging["mode"]]
        yield f"One {listed(names, 'or')} makes the verdict NO-GO, whatever the plan says."
    else:
        yield f"No failure mode of the {verdict.subject} can damage, so nothing breaks it."


def _rulings(verdict: Verdict, reason: Reason) -> Iterator[str]:
    if reason.met:
        yield "The next failure breaks it, until an engineer has ruled on that one."
        return
    waiting = [cycle for cycle in verdict.evidence.numbering.failed if cycle.unruled]
    yield f"It holds once an engineer has ruled on {_lines(waiting)}."


CURES = {
    CounterState.OPEN: "closes with the counter's reading",
    CounterState.NO_READING: "gets the readings that it lacks",
    CounterState.RESET: "gets readings without a reset between them",
    CounterState.TOO_MANY: "gets a corrected reading, or what was logged twice in it is undone",
    CounterState.UNLOGGED: "gets its missing cycles logged, or a corrected reading",
}
"""What makes a shift's log agree with the machine's counter."""


def _counter(verdict: Verdict, reason: Reason) -> Iterator[str]:
    evidence = verdict.evidence
    if reason.met:
        yield (
            "A shift that is opened, one without readings, or a line from a tablet that is not "
            "taken breaks it until that is seen to."
        )
        return
    if evidence.parked.waiting:
        waiting = some(evidence.parked.waiting, "parked line")
        yield f"An engineer has to see to the {waiting}: write in or leave out."
    if not evidence.reconciliations:
        yield "It can hold once a shift with counter readings is closed."
    states = (state for state in CURES if any(_in(evidence, state)))
    yield from (
        f"It needs that shift {listed([*_in(evidence, state)])} {CURES[state]}." for state in states
    )
    if evidence.doubtful_readings:
        yield "An engineer has to write one of the readings in doubt in again, right or mended."


def _in(evidence: Evidence, state: CounterState) -> Iterator[str]:
    return (item.label for item in evidence.reconciliations if item.state is state)


def _changes(verdict: Verdict, _reason: Reason) -> Iterator[str]:
    of = "a device of the cell" if verdict.evidence.trial.device is None else verdict.subject
    counted = some(verdict.evidence.cycles, "cycle")
    yield (
        f"A change to {of} that resets the evidence begins it anew: what was counted so far, "
        f"{counted}, then counts no more."
    )
    if not all(change.reason for change in verdict.evidence.changes):
        yield "It holds once each change that kept the evidence has its reason in writing."


def _conditions(verdict: Verdict, _reason: Reason) -> Iterator[str]:
    asked = asked_of(verdict.evidence.trial.requirement)
    missing = missing_of(verdict.evidence.conditions, asked)
    if missing:
        more = [some(number, f"more {word[:-1]}") for word, number in missing.items()]
        yield f"It holds with {listed(more)}."
    elif asked:
        yield "Only evidence that begins anew breaks it."
    else:
        yield "Nothing: the requirement asks for none."


def _patterns(_verdict: Verdict, reason: Reason) -> Iterator[str]:
    if not reason.met:
        yield (
            "It holds once somebody acknowledges the pattern in writing, or rulings take failures "
            "out of it."
        )
    else:
        yield "A failure, or a ruling that makes one relevant, has it looked at again."


def _cautions(_verdict: Verdict, reason: Reason) -> Iterator[str]:
    if reason.met:
        yield "Nothing: what somebody acknowledged stays on record."
    else:
        yield "It holds once an engineer or approver acknowledges the cautions of this trial."
