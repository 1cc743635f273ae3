"""`bounds` and `need`: figures that need no records."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, cast, get_args

import click

from trialog.cli.output import json_option, show_json
from trialog.errors import InvalidValueError
from trialog.evidence import equal_share
from trialog.reliability import (
    Method,
    RateBounds,
    Sides,
    failure_limit,
    failure_rate_bounds,
    shifts_needed,
    stretch_cycles,
    zero_failure_cycles,
)
from trialog.reports import words

# A negative number is a value that breaks a rule, not an option.
NUMBERS_FIRST = {"ignore_unknown_options": True}

METHOD_WORDS = {
    "exact": "exact (Clopper-Pearson)",
    "midp": "mid-P",
    "wilson": "Wilson score",
    "wilson_cc": "Wilson score with continuity",
    "jeffreys": "Jeffreys",
    "peek_safe": "peek-safe",
}
SIDE_WORDS = {
    "upper": "one-sided upper bound",
    "lower": "one-sided lower bound",
    "both": "two-sided, equal tails",
}


@click.command(context_settings=NUMBERS_FIRST)
@click.argument("failures", type=int)
@click.argument("cycles", type=int)
@click.option("--confidence", type=float, default=0.95, show_default=True, help="As a fraction.")
@click.option(
    "--sides",
    type=click.Choice(get_args(Sides)),
    default="upper",
    show_default=True,
    help="An upper bound, a lower one, or an interval.",
)
@click.option(
    "--method",
    type=click.Choice(get_args(Method)),
    default="exact",
    show_default=True,
    help="How the bound is worked out.",
)
@json_option
def bounds(
    *, failures: int, cycles: int, confidence: float, sides: str, method: str, as_json: bool
) -> None:
    """Bound the failure rate per cycle that FAILURES in CYCLES leave possible.

    Example: trialog bounds 0 1920
    """
    result = failure_rate_bounds(
        failures, cycles, confidence=confidence, sides=cast(Any, sides), method=cast(Any, method)
    )
    if as_json:
        show_json(asdict(result))
    else:
        click.echo(bounds_in_words(result))


def bounds_in_words(result: RateBounds) -> str:
    """Say what counts leave possible."""
    return (
        f"{words.counted(result.failures, 'failure')} in {words.counted(result.cycles, 'cycle')}: "
        f"estimate {words.rate(result.estimate)}.\n"
        f"At {words.chance(result.confidence)} confidence the failure rate is {_reach(result)}.\n"
        f"Method: {METHOD_WORDS[result.method]}, {SIDE_WORDS[result.sides]}."
    )


def _reach(result: RateBounds) -> str:
    lower, upper = words.rate_down(result.lower), words.rate_up(result.upper)
    return {
        "upper": f"at most {upper} ({words.one_in(result.upper)})",
        "lower": f"at least {lower}",
        "both": f"between {lower} and {upper}",
    }[result.sides]


@click.command()
@click.option("--hours", type=float, required=True, help="Unattended stretch, in hours.")
@click.option("--cycle-time", type=float, required=True, help="Planned cycle time, in seconds.")
@click.option("--chance", type=float, required=True, help="Chance of no stop, as a fraction.")
@click.option("--confidence", type=float, default=0.95, show_default=True, help="As a fraction.")
@click.option(
    "--devices",
    type=click.IntRange(1, 1000),
    default=1,
    show_default=True,
    help="Devices that share the limit equally.",
)
@click.option(
    "--shift-hours", type=float, default=8.0, show_default=True, help="Length of a shift, in hours."
)
@json_option
def need(
    *,
    hours: float,
    cycle_time: float,
    chance: float,
    confidence: float,
    devices: int,
    shift_hours: float,
    as_json: bool,
) -> None:
    """Work out how many clean cycles a requirement needs.

    Example: trialog need --hours 8 --cycle-time 30 --chance 0.9
    """
    found = needed(
        hours=hours,
        cycle_time=cycle_time,
        chance=chance,
        confidence=confidence,
        devices=devices,
        shift_hours=shift_hours,
    )
    if as_json:
        show_json(found)
    else:
        click.echo(need_in_words(found))


def needed(
    *,
    hours: float,
    cycle_time: float,
    chance: float,
    confidence: float,
    devices: int,
    shift_hours: float,
) -> dict[str, Any]:
    """Return what a requirement asks for, with the documented keys."""
    stretch = whole_cycles("hours", hours, cycle_time)
    shift = whole_cycles("shift-hours", shift_hours, cycle_time)
    device_limit = failure_limit(stretch, chance, equal_share(devices))
    if device_limit <= 0:
        raise InvalidValueError("hours", "be short enough for a limit that can be shown", hours)
    clean = zero_failure_cycles(device_limit, confidence)
    return {
        "hours": hours,
        "cycle_seconds": cycle_time,
        "chance": chance,
        "confidence": confidence,
        "devices": devices,
        "shift_hours": shift_hours,
        "stretch_cycles": stretch,
        "shift_cycles": shift,
        "cell_limit": failure_limit(stretch, chance),
        "device_limit": device_limit,
        "clean_cycles": clean,
        "shifts": shifts_needed(clean, cycle_time, shift_hours),
    }


def whole_cycles(field: str, hours: float, cycle_time: float) -> int:
    """Return the whole cycles in some hours, of which there must be one."""
    try:
        cycles = stretch_cycles(hours, cycle_time)
    except InvalidValueError as error:
        name = "cycle-time" if error.field == "cycle_seconds" else field
        raise InvalidValueError(name, error.rule, error.value) from error
    if cycles < 1:
        raise InvalidValueError(field, f"hold at least one cycle of {cycle_time:g} s", hours)
    return cycles


def need_in_words(found: dict[str, Any]) -> str:
    """Say what a requirement asks for."""
    lines = [
        f"{_hours(found['hours'])} alone at {found['cycle_seconds']:g} s a cycle: "
        f"{words.counted(found['stretch_cycles'], 'cycle')}.",
        f"To get through with {words.chance(found['chance'])} chance, the cell may fail in at most "
        f"{_limit(found['cell_limit'])}.",
    ]
    subject = "it"
    if found["devices"] > 1:
        subject = "a device"
        lines.append(
            f"Each of {found['devices']} devices with an equal share: at most "
            f"{_limit(found['device_limit'])}."
        )
    clean = words.counted(found["clean_cycles"], "clean cycle")
    shifts = words.counted(found["shifts"], "shift")
    lines.append(
        f"To show at {words.chance(found['confidence'])} confidence that {subject} is that good: "
        f"{clean}, {shifts} of {_hours(found['shift_hours'])}."
    )
    return "\n".join(lines)


def _hours(hours: float) -> str:
    return f"{hours:g} h"


def _limit(limit: float) -> str:
    return f"{words.rate_down(limit, 3)} of its cycles (about 1 in {1 / limit:,.0f})"
