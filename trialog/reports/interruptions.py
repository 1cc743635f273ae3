"""Stops in reports: clear times, availability, and stops against failures."""

from __future__ import annotations

import math
from dataclasses import dataclass

from trialog.evidence.interruptions import Interruptions
from trialog.reports import words

DIGITS = 3
"""Significant digits of an availability."""


@dataclass(frozen=True)
class StopFigures:
    """What stops come to. Times in seconds; bounds two-sided at `confidence`.

    None where there is none, or nothing is known. `cycles_per_stop` is cycles logged by stops,
    `cycles_per_failure` counted cycles by relevant failures.
    """

    confidence: float
    stops: int
    timed: int
    logged: int
    mean_seconds: float | None
    mean_lower: float | None
    mean_upper: float | None
    percentile: float
    percentile_seconds: float | None
    percentile_lower: float | None
    percentile_upper: float | None
    availability: float | None
    availability_lower: float
    availability_upper: float
    cycles_per_stop: float | None
    cycles_per_stop_lower: float | None
    cycles_per_stop_upper: float | None
    failures: int
    cycles: int
    cycles_per_failure: float | None
    cycles_per_failure_lower: float | None
    cycles_per_failure_upper: float | None
    clear_words: str
    availability_words: str
    between_words: str


def stop_figures(found: Interruptions, subject: str) -> StopFigures:
    """Tell the stops of some shifts beside the failures of a subject."""
    rate, mean, percentile, failures = found.rate, found.mean, found.percentile, found.failures
    running = found.availability
    return StopFigures(
        confidence=rate.confidence,
        stops=rate.stops,
        timed=len(found.clear_seconds),
        logged=rate.cycles,
        mean_seconds=mean.estimate,
        mean_lower=mean.lower if mean.count else None,
        mean_upper=mean.upper if mean.count else None,
        percentile=percentile.share,
        percentile_seconds=percentile.estimate,
        percentile_lower=percentile.lower,
        percentile_upper=percentile.upper,
        availability=running.estimate,
        availability_lower=running.lower,
        availability_upper=running.upper,
        cycles_per_stop=_turned(rate.estimate),
        cycles_per_stop_lower=_turned(rate.upper),
        cycles_per_stop_upper=_turned(rate.lower),
        failures=failures.failures,
        cycles=failures.cycles,
        cycles_per_failure=_turned(failures.estimate),
        cycles_per_failure_lower=_turned(failures.upper) if failures.cycles else None,
        cycles_per_failure_upper=_turned(failures.lower),
        clear_words=_clear_words(found),
        availability_words=_availability_words(found),
        between_words=_between_words(found, subject),
    )


def _turned(rate: float | None) -> float | None:
    """Turn a rate per cycle into cycles; None where there is no end to them, or none is known."""
    return None if rate is None or rate == 0 or math.isinf(rate) else 1 / rate


def _clear_words(found: Interruptions) -> str:
    """Say how long clearing takes."""
    stops, timed = found.rate.stops, len(found.clear_seconds)
    if not stops:
        return "No stop was logged."
    if not timed:
        return f"{words.counted(stops, 'stop')}, none with a clear time."
    without = f", {found.untimed:,} without a clear time" if found.untimed else ""
    return (
        f"{words.counted(stops, 'stop')}{without}. Clearing takes {_mean(found)}; "
        f"9 of 10 are cleared within {_percentile(found)}."
    )


def _mean(found: Interruptions) -> str:
    mean = found.mean
    return (
        f"{words.length(mean.estimate or 0)} on average ({words.length(mean.lower)} to "
        f"{words.length(mean.upper)})"
    )


def _percentile(found: Interruptions) -> str:
    percentile = found.percentile
    seconds = words.length(percentile.estimate or 0)
    lower, upper = percentile.lower, percentile.upper
    if upper is not None and lower is not None:
        return f"{seconds} ({words.length(lower)} to {words.length(upper)})"
    return f"{seconds} (too few were timed for an upper bound)"


def _availability_words(found: Interruptions) -> str:
    """Say which share of the time the cell runs."""
    running = found.availability
    if found.rate.cycles == 0:
        return "No cycle was logged, so nothing is known of the availability."
    if running.estimate is None:
        return "Without a clear time nothing is known of the availability."
    ends = (
        f"{words.rate_down(running.lower, DIGITS)} to {words.rate_up(running.upper, DIGITS)} "
        f"at {words.chance(running.confidence)} confidence"
    )
    return (
        f"At the planned cycle time the cell runs {_share(running.estimate)} of the time ({ends}) "
        "and waits to be cleared for the rest."
    )


def _share(value: float) -> str:
    return words.rate(value, DIGITS)


def _between_words(found: Interruptions, subject: str) -> str:
    """Say how many cycles lie between stops, and between failures."""
    rate, failures = found.rate, found.failures
    if not rate.cycles or not failures.cycles:
        return "No cycle was counted, so nothing is known of the cycles between stops or failures."
    stops = _every(rate.estimate, rate.lower, rate.upper)
    failed = _every(failures.estimate, failures.lower, failures.upper)
    return (
        f"Assists (stops of the cell that somebody cleared): {stops}. Relevant failures of "
        f"{subject}: {failed}. "
        f"Intervals: {words.chance(rate.confidence)} confidence."
    )


def _every(rate: float | None, lower: float, upper: float) -> str:
    least = f"{math.floor(1 / upper):,}"
    if not rate:
        return f"none, so one in at least {least} cycles on average"
    return f"one in {1 / rate:,.0f} cycles on average ({least} to {math.ceil(1 / lower):,})"
