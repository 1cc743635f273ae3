"""What a requirement or a plan means, in words, before anybody commits to it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from trialog.evidence import equal_share, make_plan
from trialog.records.words import PlanKind
from trialog.reliability import SHIFT_HOURS, Plan, Requirement, shifts_needed
from trialog.reports import sentences, words


@dataclass(frozen=True)
class Need:
    """What one subject, the cell or one of its devices, has to show without a failure."""

    subject: str
    limit: str
    one_in: str
    cycles: str
    shifts: str
    design_pass: str


@dataclass(frozen=True)
class RequirementPreview:
    """A requirement in words: the sentence, and what the cell and each device need."""

    sentence: str
    design: str
    needs: tuple[Need, ...]


@dataclass(frozen=True)
class TrialPreview:
    """A trial's plan in words."""

    share: str
    plan: str
    shifts: str
    steep: bool


def preview_requirement(stated: Requirement, devices: int) -> RequirementPreview:
    """Say what a requirement means for the cell and, at an equal share, for each device.

    Raises
    ------
    InvalidValueError
        If the design rate is not below the limit.
    """
    needs = [_need(stated, "whole cell", 1.0)]
    if devices > 1:
        needs.append(_need(stated, f"each of the {devices} devices", equal_share(devices)))
    return RequirementPreview(
        sentence=sentences.requirement(stated),
        design=f"{words.rate(stated.design_rate)} of the cell's cycles, "
        f"{words.one_in(stated.design_rate)}",
        needs=tuple(needs),
    )


def _need(stated: Requirement, subject: str, share: float) -> Need:
    plan = make_plan(stated, PlanKind.ZERO_FAILURE, share)
    limit = stated.limit(share)
    return Need(
        subject=subject,
        limit=words.rate_down(limit),
        one_in=words.one_in(limit),
        cycles=f"{plan.max_cycles:,}",
        shifts=f"{shifts_needed(plan.max_cycles, stated.cycle_seconds):,}",
        design_pass=words.rate_down(plan.pass_chance(stated.design(share))),
    )


def preview_trial(
    stated: Requirement, kind: PlanKind, share: float, good_pass: float | None, subject: str
) -> TrialPreview:
    """Say what a trial's plan asks for.

    Raises
    ------
    InvalidValueError
        If no plan holds the risks.
    """
    plan = make_plan(stated, kind, share, good_pass)
    mean = math.ceil(plan.expected_cycles(stated.design(share)))
    lengths = {"At most": plan.max_cycles, "On average, for a device at its design rate,": mean}
    return TrialPreview(
        share=sentences.share(stated.limit(share), stated.chance, share, subject),
        plan=sentences.plan(plan, kind),
        shifts=" ".join(
            f"{lead} {words.counted(cycles, 'cycle')}, about "
            f"{words.counted(shifts_needed(cycles, stated.cycle_seconds), 'full shift')} of "
            f"{SHIFT_HOURS:g} h."
            for lead, cycles in lengths.items()
        ),
        steep=_is_steep(plan),
    )


def _is_steep(plan: Plan) -> bool:
    """Say whether even a device at its design rate would more likely fail than pass."""
    return plan.design is not None and plan.pass_chance(plan.design) < 0.5
