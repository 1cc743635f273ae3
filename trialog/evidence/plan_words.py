"""A plan in a phrase: what it asks for, in the language spoken."""

from __future__ import annotations

from trialog.languages import counted, localised, t
from trialog.reliability import FixedPlan, Plan, SequentialPlan


def plan_words(plan: Plan) -> str:
    """Say a plan, such as "1,604 clean cycles, and 1,279 more for each failure"."""
    return _fixed(plan) if isinstance(plan, FixedPlan) else _sequential(plan)


def _fixed(plan: FixedPlan) -> str:
    if plan.allowed_failures == 0:
        cycles = counted(plan.cycles, "clean cycle")
        return t("{cycles}; one failure ends the plan", cycles=cycles)
    failures = counted(plan.allowed_failures, "failure")
    cycles = counted(plan.cycles, "cycle")
    return t("{cycles} with at most {failures}", cycles=cycles, failures=failures)


def _sequential(plan: SequentialPlan) -> str:
    step = plan.cycles_per_failure
    whole = step == round(step)
    return t(
        "{cycles}, and {more} more for each failure; ends by {most} or at {failures}",
        cycles=counted(plan.first_go_cycles, "clean cycle"),
        more=round(step) if whole else t("about {number}", number=localised(f"{step:.1f}")),
        most=counted(plan.max_cycles, "cycle"),
        failures=counted(plan.max_failures + 1, "failure"),
    )
