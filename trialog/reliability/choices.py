"""The plans that one pair of rates allows, side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from trialog.reliability.path import Plan
from trialog.reliability.plans import fixed_plan, zero_failure_plan
from trialog.reliability.tuning import sequential_plan

Kind = Literal["zero-failure", "fixed-size", "sequential"]


@dataclass(frozen=True)
class PlanChoice:
    """A plan with the figures to choose it by.

    Chances are those of GO, expected cycles those until GO or NO-GO, each at the design rate
    and at the limit. `suits` marks the one plan that passes a good device often enough and
    decides on it in the fewest cycles on average.
    """

    kind: Kind
    plan: Plan
    pass_chance_at_design: float
    pass_chance_at_limit: float
    expected_cycles_at_design: float
    expected_cycles_at_limit: float
    suits: bool


def plan_choices(
    limit: float,
    design: float,
    *,
    confidence: float,
    good_pass: float,
    max_cycles: int | None = None,
) -> tuple[PlanChoice, PlanChoice, PlanChoice]:
    """Make the zero-failure, the fixed-size and the sequential plan for the same rates.

    Parameters
    ----------
    limit, design, confidence, good_pass, max_cycles
        As in `sequential_plan`. The zero-failure plan takes no heed of `good_pass`.

    Returns
    -------
    tuple of PlanChoice, shape (3,)

    Raises
    ------
    InvalidValueError
        If an argument lies outside its range, or a plan cannot be made.

    References
    ----------
    As `zero_failure_plan`, `fixed_plan` and `sequential_plan`.

    Examples
    --------
    >>> from trialog.reliability import plan_choices
    >>> choices = plan_choices(0.002, 0.0002, confidence=0.95, good_pass=0.9)
    >>> [(choice.kind, round(choice.expected_cycles_at_design)) for choice in choices]
    [('zero-failure', 1294), ('fixed-size', 2301), ('sequential', 1781)]
    >>> [choice.kind for choice in choices if choice.suits]
    ['sequential']
    """
    plans: dict[Kind, Plan] = {
        "zero-failure": zero_failure_plan(limit, confidence, design),
        "fixed-size": fixed_plan(limit, design, confidence=confidence, good_pass=good_pass),
        "sequential": sequential_plan(
            limit, design, confidence=confidence, good_pass=good_pass, max_cycles=max_cycles
        ),
    }
    mean = {kind: plan.expected_cycles(design) for kind, plan in plans.items()}
    passing = [kind for kind, plan in plans.items() if plan.pass_chance(design) >= good_pass]
    best = min(passing, key=lambda kind: mean[kind])
    zero_failure, fixed_size, sequential = (
        PlanChoice(
            kind=kind,
            plan=plan,
            pass_chance_at_design=plan.pass_chance(design),
            pass_chance_at_limit=plan.pass_chance(limit),
            expected_cycles_at_design=mean[kind],
            expected_cycles_at_limit=plan.expected_cycles(limit),
            suits=kind == best,
        )
        for kind, plan in plans.items()
    )
    return zero_failure, fixed_size, sequential
