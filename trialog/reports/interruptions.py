"""Stops in reports: clear times, availability, and stops against failures."""

from __future__ import annotations

import math
from dataclasses import dataclass

from trialog.evidence.interruptions import Interruptions
from trialog.languages import numeral, t
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
        return t("No stop was logged.")
    told = words.counted(stops, "stop")
    if not timed:
        return t("{stops}, none with a clear time.", stops=told)
    if found.untimed:
        told = t("{stops}, {untimed} without a clear time", stops=told, untimed=found.untimed)
    return t(
        "{stops}. Clearing takes {mean}; 9 of 10 are cleared within {percentile}.",
        stops=told,
        mean=_mean(found),
        percentile=_percentile(found),
    )


def _mean(found: Interruptions) -> str:
    mean = found.mean
    return t(
        "{time} on average ({least} to {most})",
        time=words.length(mean.estimate or 0),
        least=words.length(mean.lower),
        most=words.length(mean.upper),
    )


def _percentile(found: Interruptions) -> str:
    percentile = found.percentile
    seconds = words.length(percentile.estimate or 0)
    lower, upper = percentile.lower, percentile.upper
    if upper is not None and lower is not None:
        return t(
            "{time} ({least} to {most})",
            time=seconds,
            least=words.length(lower),
            most=words.length(upper),
        )
    return t("{time} (too few were timed for an upper bound)", time=seconds)


def _availability_words(found: Interruptions) -> str:
    """Say which share of the time the cell runs."""
    running = found.availability
    if found.rate.cycles == 0:
        return t("No cycle was logged, so nothing is known of the availability.")
    if running.estimate is None:
        return t("Without a clear time nothing is known of the availability.")
    return t(
        "At the planned cycle time the cell runs {share} of the time ({least} to {most} at "
        "{confidence} confidence) and waits to be cleared for the rest.",
        share=_share(running.estimate),
        least=words.rate_down(running.lower, DIGITS),
        most=words.rate_up(running.upper, DIGITS),
        confidence=words.chance(running.confidence),
    )


def _share(value: float) -> str:
    return words.rate(value, DIGITS)


def _between_words(found: Interruptions, subject: str) -> str:
    """Say how many cycles lie between stops, and between failures."""
    rate, failures = found.rate, found.failures
    if not rate.cycles or not failures.cycles:
        return t(
            "No cycle was counted, so nothing is known of the cycles between stops or failures."
        )
    return t(
        "Assists (stops of the cell that somebody cleared): {stops}. Relevant failures of "
        "{subject}: {failures}. Intervals: {confidence} confidence.",
        stops=_every(rate.estimate, rate.lower, rate.upper),
        subject=subject,
        failures=_every(failures.estimate, failures.lower, failures.upper),
        confidence=words.chance(rate.confidence),
    )


def _every(rate: float | None, lower: float, upper: float) -> str:
    least = math.floor(1 / upper)
    if not rate:
        return t("none, so one in at least {least} cycles on average", least=least)
    return t(
        "one in {cycles} cycles on average ({least} to {most})",
        cycles=numeral(round(1 / rate)),
        least=least,
        most=math.ceil(1 / lower),
    )
