"""The plans for a requirement side by side: the sentence, the pictures and the tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from trialog.errors import InvalidValueError
from trialog.evidence.plan_words import plan_words
from trialog.evidence.trials import MOST_PLANNED
from trialog.reliability import (
    FixedPlan,
    PlanChoice,
    Requirement,
    fixed_plan,
    plan_choices,
    shifts_needed,
    stop_free_chance,
    zero_failure_cycles,
)
from trialog.reliability.choices import Kind
from trialog.reliability.shop import (
    CleanRun,
    FailurePrice,
    clean_run,
    cycles_in_shifts,
    price_of_failures,
)
from trialog.reports import words
from trialog.reports.figures import Chart, chances_of_passing, staircase, times_to_decide
from trialog.reports.figures.planning import Span, passes, spans_of

MOST_FAILURES = 200
"""Allowed failures of the fixed-size plan up to which the three are worked out: the sequential
plan allows three times as many, and a page that answers while a slider moves has a second."""

PRICED = 5
"""Failures that are priced one by one."""


@dataclass(frozen=True)
class Asked:
    """What plans are asked for: a requirement, a share of it, and what the shop has."""

    requirement: Requirement
    share: float
    good_pass: float
    shift_hours: float
    shifts: int | None = None
    shown: Kind | None = None

    @property
    def limit(self) -> float:
        """Largest tolerable failure rate per cycle of the subject."""
        return self.requirement.limit(self.share)

    @property
    def design(self) -> float:
        """Failure rate per cycle of a subject that should pass."""
        return self.requirement.design(self.share)

    @property
    def subject(self) -> str:
        """What is under trial, in a word."""
        return "cell" if self.share == 1 else "device"

    def shifts_for(self, cycles: float) -> int:
        """Count the full shifts that cycles take."""
        return shifts_needed(math.ceil(cycles), self.requirement.cycle_seconds, self.shift_hours)


@dataclass(frozen=True)
class PlanColumn:
    """One plan in words and numbers; cycles with the shifts that they take."""

    choice: PlanChoice
    in_words: str
    why: str
    first_go: tuple[int, int]
    per_failure: float
    most: tuple[int, int]
    most_failures: int
    mean_at_design: tuple[int, int]
    mean_at_limit: tuple[int, int]
    too_long: bool


@dataclass(frozen=True)
class AtHand:
    """What the shifts at hand would prove without a failure."""

    run: CleanRun
    sentence: str


@dataclass(frozen=True)
class PlanComparison:
    """Everything that the planner says."""

    asked: Asked
    sentence: str
    columns: tuple[PlanColumn, ...]
    shown: PlanColumn
    charts: tuple[Chart, ...]
    spans: tuple[Span, ...]
    prices: tuple[FailurePrice, ...]
    at_hand: AtHand | None


def compare_plans(asked: Asked) -> PlanComparison:
    """Work out the plans that an asked-for requirement allows.

    Raises
    ------
    InvalidValueError
        If a number lies outside its range, no plan holds the risks, or the plans would be
        longer than a trial holds or than can be worked out while somebody waits.
    """
    limit, design = asked.limit, asked.design
    _check_size(asked)
    choices = plan_choices(
        limit, design, confidence=asked.requirement.confidence, good_pass=asked.good_pass
    )
    best = next(choice for choice in choices if choice.suits)
    columns = tuple(_column(asked, choice, best) for choice in choices)
    shown = next(c for c in columns if c.choice.kind == (asked.shown or best.kind))
    spans = spans_of(choices)
    shifts = {
        cycles: asked.shifts_for(cycles)
        for span in spans
        for cycles in (span.tenth, span.half, span.nine_tenths)
    }
    return PlanComparison(
        asked=asked,
        sentence=_sentence(asked, next(c for c in columns if c.choice is best)),
        columns=columns,
        shown=shown,
        charts=(
            staircase(shown.choice.plan),
            chances_of_passing(choices, limit, design),
            times_to_decide(spans, shifts, best.kind),
        ),
        spans=spans,
        prices=price_of_failures(
            limit,
            asked.requirement.confidence,
            PRICED,
            cycle_seconds=asked.requirement.cycle_seconds,
            shift_hours=asked.shift_hours,
        ),
        at_hand=_at_hand(asked),
    )


def _check_size(asked: Asked) -> None:
    """Refuse what needs no plan, what nobody could run, or what would keep a page waiting."""
    if zero_failure_cycles(asked.limit, asked.requirement.confidence) == 1:
        rule = "be higher, or the stretch longer: one clean cycle would be enough, and no trial"
        raise InvalidValueError("confidence", rule, asked.requirement.confidence)
    plan = _fixed_size(asked)
    if plan.allowed_failures > MOST_FAILURES:
        rule = (
            f"lie further below the limit: to tell the two apart takes about "
            f"{words.about_up(plan.cycles).removeprefix('about ')} cycles "
            f"({words.counted(asked.shifts_for(plan.cycles), 'shift')}) with "
            f"{words.counted(plan.allowed_failures, 'failure')}, more than this page works out"
        )
        raise InvalidValueError("design", rule, asked.requirement.design_rate)
    if plan.cycles > MOST_PLANNED:
        rule = (
            f"leave a plan of at most {MOST_PLANNED:,} cycles, which is all that a trial holds "
            f"(the fixed-size plan has {plan.cycles:,})"
        )
        raise InvalidValueError("stretch_hours", rule, asked.requirement.stretch_hours)


def _fixed_size(asked: Asked) -> FixedPlan:
    """Make the fixed-size plan, or say why there is none without the engine's words."""
    confidence, good_pass = asked.requirement.confidence, asked.good_pass
    try:
        return fixed_plan(asked.limit, asked.design, confidence=confidence, good_pass=good_pass)
    except InvalidValueError as error:
        if error.field != "design" or asked.design >= asked.limit:
            raise
        rule = (
            "lie further below the limit: more than 20,000 failures would have to be allowed to "
            "tell the two apart"
        )
        raise InvalidValueError("design", rule, asked.requirement.design_rate) from error


def _column(asked: Asked, choice: PlanChoice, best: PlanChoice) -> PlanColumn:
    plan = choice.plan

    def both(cycles: float) -> tuple[int, int]:
        return math.ceil(cycles), asked.shifts_for(cycles)

    return PlanColumn(
        choice=choice,
        in_words=plan_words(plan),
        why=_why(asked, choice, best),
        first_go=both(plan.first_go_cycles),
        per_failure=plan.cycles_per_failure,
        most=both(plan.max_cycles),
        most_failures=plan.max_failures,
        mean_at_design=both(choice.expected_cycles_at_design),
        mean_at_limit=both(choice.expected_cycles_at_limit),
        too_long=plan.max_cycles > MOST_PLANNED,
    )


def _why(asked: Asked, choice: PlanChoice, best: PlanChoice) -> str:
    """Say why a plan suits, or why another one suits better."""
    wanted = words.chance(asked.good_pass)
    if choice is best:
        return (
            f"passes a {asked.subject} at the design rate with the {wanted} asked for, and decides "
            "on it in the fewest cycles on average"
        )
    if choice.pass_chance_at_design < asked.good_pass:
        return (
            f"passes a {asked.subject} at the design rate with only "
            f"{passes(choice.pass_chance_at_design)} chance, not the {wanted} asked for"
        )
    more = math.ceil(choice.expected_cycles_at_design) - math.ceil(best.expected_cycles_at_design)
    if more <= 0:
        return f"takes as many cycles on average as the {best.kind} plan"
    return (
        f"passes often enough too, but takes {words.about_up(more)} more cycles on average at the "
        "design rate"
    )


def _sentence(asked: Asked, best: PlanColumn) -> str:
    stated, limit = asked.requirement, asked.limit
    mean, shifts = best.mean_at_design
    return (
        f"To run alone for {words.length(stated.stretch_hours * 3600)} at "
        f"{words.chance_word(stated.chance, asked.share)} of no stop, the {asked.subject} may fail "
        f"in at most {words.rate_down(limit)} of its cycles ({words.one_in(limit)}). The "
        f"{best.choice.kind} plan suits: {best.in_words}. It takes "
        f"{words.about_up(mean)} cycles, {words.counted(shifts, 'shift')} of "
        f"{asked.shift_hours:g} h, on average for a {asked.subject} that fails in "
        f"{words.rate(asked.design)} of its cycles."
    )


def _at_hand(asked: Asked) -> AtHand | None:
    if asked.shifts is None:
        return None
    stated = asked.requirement
    cycles = cycles_in_shifts(asked.shifts, stated.cycle_seconds, asked.shift_hours)
    run = clean_run(stated, cycles, asked.share)
    return AtHand(run, _run_in_words(asked, run))


def _run_in_words(asked: Asked, run: CleanRun) -> str:
    stated = asked.requirement
    shifts = f"{words.counted(asked.shifts or 0, 'shift')} of {asked.shift_hours:g} h"
    if run.cycles == 0:
        return f"{shifts} hold no cycle, and prove nothing."
    verb = "holds" if asked.shifts == 1 else "hold"
    missing = run.missing_cycles
    rest = (
        f"{words.about_up(missing)} more clean cycles are missing, "
        f"{words.counted(asked.shifts_for(missing), 'shift')}"
        if missing
        else "that is enough"
    )
    proven = "any stretch" if run.proven_seconds is None else words.stretch(run.proven_seconds)
    return (
        f"{shifts} {verb} {words.counted(run.cycles, 'cycle')}. If none of them failed, they would "
        f"prove at {words.chance(stated.confidence)} confidence a failure rate of at most "
        f"{words.rate_up(run.upper)}, which is {proven} alone at "
        f"{words.chance_word(stated.chance, asked.share)}. Required: "
        f"{words.length(stated.stretch_hours * 3600)}; {rest}. A {asked.subject} at the design "
        f"rate gets through them without a failure with "
        f"{words.rate_down(stop_free_chance(asked.design, run.cycles), 3)} chance."
    )


def kinds_of(columns: Sequence[PlanColumn]) -> tuple[Kind, ...]:
    """Return the kinds of plan, in the order that they are shown in."""
    return tuple(column.choice.kind for column in columns)
