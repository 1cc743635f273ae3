"""`plan`: what each kind of plan takes, side by side. Needs no records."""

from __future__ import annotations

import math
from collections.abc import Callable
from operator import itemgetter
from typing import Any

import click

from trialog.cli.figures import NUMBERS_FIRST, whole_cycles
from trialog.cli.output import json_option, show_json
from trialog.errors import InvalidValueError
from trialog.evidence.plan_words import plan_words
from trialog.evidence.trials import MOST_PLANNED
from trialog.reliability import (
    SHIFT_HOURS,
    PlanChoice,
    plan_choices,
    shifts_needed,
    zero_failure_cycles,
)
from trialog.reports import words

Planned = dict[str, Any]

DIGITS = 3
"""Significant digits of a chance: 5.00 % can be told from 4.98 %."""


@click.command(context_settings=NUMBERS_FIRST)
@click.option("--limit", type=float, required=True, help="Failure rate per cycle to rule out.")
@click.option(
    "--design", type=float, required=True, help="Failure rate per cycle of a device that is good."
)
@click.option("--confidence", type=float, default=0.95, show_default=True, help="As a fraction.")
@click.option(
    "--good-pass",
    type=float,
    default=0.9,
    show_default=True,
    help="Chance that a good device passes, as a fraction.",
)
@click.option("--cycle-time", type=float, help="Planned cycle time, in seconds; adds shifts.")
@click.option(
    "--shift-hours",
    type=float,
    help=f"Length of a shift, in hours (default: {SHIFT_HOURS:g}); goes with --cycle-time.",
)
@json_option
def plan(
    *,
    limit: float,
    design: float,
    confidence: float,
    good_pass: float,
    cycle_time: float | None,
    shift_hours: float | None,
    as_json: bool,
) -> None:
    """Show the zero-failure, the fixed-size and the sequential plan side by side.

    Example: trialog plan --limit 0.002 --design 0.0002 --cycle-time 30
    """
    shift = _shift(cycle_time, shift_hours)
    found = planned(
        limit=limit, design=design, confidence=confidence, good_pass=good_pass, shift=shift
    )
    if as_json:
        show_json(found)
    else:
        click.echo(planned_in_words(found))


def _shift(cycle_time: float | None, shift_hours: float | None) -> tuple[float, float] | None:
    """Return cycle time and shift length, once both are known to make a shift."""
    if cycle_time is None:
        if shift_hours is not None:
            raise InvalidValueError("cycle-time", "be given where shift-hours is", None)
        return None
    hours = SHIFT_HOURS if shift_hours is None else shift_hours
    whole_cycles("shift-hours", hours, cycle_time)
    return cycle_time, hours


def planned(
    *,
    limit: float,
    design: float,
    confidence: float,
    good_pass: float,
    shift: tuple[float, float] | None = None,
) -> Planned:
    """Return the three plans with the documented keys; `shift` is its cycle time and hours."""
    choices = _choices(limit, design, confidence, good_pass)
    return {
        "limit": limit,
        "design": design,
        "confidence": confidence,
        "good_pass": good_pass,
        **({} if shift is None else {"cycle_seconds": shift[0], "shift_hours": shift[1]}),
        "plans": [_as_dict(choice, shift) for choice in choices],
    }


def _choices(
    limit: float, design: float, confidence: float, good_pass: float
) -> tuple[PlanChoice, ...]:
    """Make the plans, or say in the options' words why there are none that anybody could run."""
    try:
        # The rarest limits would take their time to make plans that are refused all the same.
        _check_length(limit, zero_failure_cycles(limit, confidence))
        choices = plan_choices(limit, design, confidence=confidence, good_pass=good_pass)
    except InvalidValueError as error:
        raise InvalidValueError(error.field.replace("_", "-"), error.rule, error.value) from error
    _check_length(limit, max(choice.plan.max_cycles for choice in choices))
    return choices


def _check_length(limit: float, cycles: int) -> None:
    if cycles > MOST_PLANNED:
        rule = f"leave plans of at most {MOST_PLANNED:,} cycles"
        raise InvalidValueError("limit", rule, limit)


def _as_dict(choice: PlanChoice, shift: tuple[float, float] | None) -> Planned:
    made = choice.plan
    found = {
        "kind": choice.kind,
        "first_go_cycles": made.first_go_cycles,
        "cycles_per_failure": made.cycles_per_failure,
        "max_cycles": made.max_cycles,
        "max_failures": made.max_failures,
        "pass_chance_at_design": choice.pass_chance_at_design,
        "pass_chance_at_limit": choice.pass_chance_at_limit,
        "expected_cycles_at_design": choice.expected_cycles_at_design,
        "expected_cycles_at_limit": choice.expected_cycles_at_limit,
        "in_words": plan_words(made),
        "suits": choice.suits,
    }
    if shift is not None:
        mean = math.ceil(choice.expected_cycles_at_design)
        found["expected_shifts_at_design"] = shifts_needed(mean, *shift)
        found["max_shifts"] = shifts_needed(made.max_cycles, *shift)
    return found


def planned_in_words(found: Planned) -> str:
    """Say what is asked for, the plans as a table and each in a phrase, and which one suits."""
    plans = found["plans"]
    return "\n".join(
        [
            f"To show at {words.chance(found['confidence'])} confidence: failures in at most "
            f"{_rate(found['limit'], 'cycles')}.",
            f"To pass with {words.chance(found['good_pass'])} chance: a device that fails in "
            f"{_rate(found['design'], 'its cycles')}.",
            "",
            *_aligned(_table(found)),
            "",
            *(f"{one['kind']}: {one['in_words']}." for one in plans),
            "",
            _suits(found),
        ]
    )


def _rate(rate: float, of: str) -> str:
    return f"{words.rate(rate, DIGITS)} of {of} ({words.one_in(rate)})"


def _table(found: Planned) -> list[list[str]]:
    """Return the rows of the table; nothing in it looks better than it is."""
    rows: list[tuple[str, Callable[[Planned], str]]] = [
        ("", itemgetter("kind")),
        ("cycles to GO without a failure", _whole("first_go_cycles")),
        ("cycles more for each failure", _per_failure),
        ("failures at most for GO", _whole("max_failures")),
        ("cycles at most", _whole("max_cycles")),
        ("passes at the design rate", lambda one: _down(one["pass_chance_at_design"])),
        ("passes at the limit", lambda one: _up(one["pass_chance_at_limit"])),
        ("mean cycles at the design rate", _whole("expected_cycles_at_design")),
        ("mean cycles at the limit", _whole("expected_cycles_at_limit")),
    ]
    if "shift_hours" in found:
        shifts = f"shifts of {found['shift_hours']:g} h"
        rows += [
            (f"{shifts}, mean at the design rate", _whole("expected_shifts_at_design")),
            (f"{shifts}, at most", _whole("max_shifts")),
        ]
    return [[name, *map(say, found["plans"])] for name, say in rows]


def _whole(key: str) -> Callable[[Planned], str]:
    return lambda one: f"{math.ceil(one[key]):,}"


def _per_failure(one: Planned) -> str:
    more = one["cycles_per_failure"]
    return f"{more:,.0f}" if more == round(more) else f"{more:,.1f}"


def _down(chance: float) -> str:
    return words.rate_down(chance, DIGITS)


def _up(chance: float) -> str:
    return words.rate_up(chance, DIGITS)


def _aligned(rows: list[list[str]]) -> list[str]:
    """Return rows with names to the left and numbers to the right, in columns."""
    first, *others = (max(map(len, column)) for column in zip(*rows, strict=True))
    return ["  ".join([name.ljust(first), *map(str.rjust, cells, others)]) for name, *cells in rows]


def _suits(found: Planned) -> str:
    kind = next(one["kind"] for one in found["plans"] if one["suits"])
    return (
        f"The {kind} plan suits: it passes a device at the design rate with the "
        f"{words.chance(found['good_pass'])} asked for, and decides on it in the fewest cycles "
        "on average."
    )
