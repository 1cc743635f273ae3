"""Spot checks in reports: what was watched, and how often a failure goes unlogged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from trialog.evidence import SpotCheck, SpotChecks
from trialog.languages import t, tn
from trialog.reliability import InflatedBound
from trialog.reports import words


class Found(StrEnum):
    """What became of a spot check."""

    GOOD = "none failed"
    LOGGED = "in the log"
    MISSED = "not in the log"
    UNUSED = "not used"


@dataclass(frozen=True)
class CheckLine:
    """A line of a spot check; `found` says whether the log has what it saw."""

    shift: str
    at: datetime
    person: str | None
    cycles: int
    cycle: int | None
    modes: tuple[str, ...]
    found: Found


@dataclass(frozen=True)
class CheckReport:
    """What spot checks say of how often a failure goes unlogged.

    `watched`, `seen`, `missed` and `set_aside` as in the evidence. `missed_share` is missed by
    seen, `missed_upper` its one-sided exact bound at `confidence`. `upper_with_misses`: bound on a
    trial's failure rate were failures missed as often as the checks allow; None for a shift.
    """

    watched: int
    seen: int
    missed: int
    set_aside: int
    confidence: float
    missed_share: float | None
    missed_upper: float
    upper_with_misses: float | None
    words: str
    each: tuple[CheckLine, ...]


def check_report(checks: SpotChecks, allowing: InflatedBound | None = None) -> CheckReport:
    """Tell spot checks of a shift, or of a trial with the bound that allows for misses."""
    rate = checks.miss_rate
    return CheckReport(
        watched=checks.watched,
        seen=checks.seen,
        missed=checks.missed,
        set_aside=checks.set_aside,
        confidence=rate.confidence,
        missed_share=rate.estimate,
        missed_upper=rate.upper,
        upper_with_misses=None if allowing is None else allowing.upper,
        words=" ".join(_sentences(checks, allowing)),
        each=tuple(_line(check) for check in checks.checks),
    )


def _line(check: SpotCheck) -> CheckLine:
    return CheckLine(
        shift=check.shift,
        at=check.at,
        person=check.person,
        cycles=check.cycles,
        cycle=check.cycle,
        modes=check.modes,
        found=_found(check),
    )


def _found(check: SpotCheck) -> Found:
    if not check.independent:
        return Found.UNUSED
    if not check.modes:
        return Found.GOOD
    return Found.MISSED if check.missed else Found.LOGGED


def _sentences(checks: SpotChecks, allowing: InflatedBound | None) -> list[str]:
    if not checks.checks:
        return [t("No spot check, so nothing is known of how often a failure goes unlogged.")]
    said = [_watched(checks), *_share(checks, allowing)] if checks.watched else []
    if checks.set_aside:
        said.append(
            t(
                "Not used: {cycles} checked by whoever logged the cycles, or by nobody known.",
                cycles=words.counted(checks.set_aside, "cycle"),
            )
        )
    return said


def _watched(checks: SpotChecks) -> str:
    watched = words.counted(checks.watched, "cycle")
    if not checks.seen:
        return t(
            "A second person watched {cycles} and saw no failure, so it is not known how often "
            "one goes unlogged.",
            cycles=watched,
        )
    if checks.missed:
        return t(
            "A second person watched {cycles} and saw {failures}; the log lacks {missed}.",
            cycles=watched,
            failures=words.counted(checks.seen, "failure"),
            missed=checks.missed,
        )
    return tn(
        "A second person watched {cycles} and saw {number} failure; it is in the log.",
        "A second person watched {cycles} and saw {number} failures; all of them are in the log.",
        checks.seen,
        cycles=watched,
    )


def _share(checks: SpotChecks, allowing: InflatedBound | None) -> list[str]:
    if not checks.seen:
        return []
    rate = checks.miss_rate
    confidence = words.chance(rate.confidence)
    if rate.upper == 1:
        said = [
            t(
                "So any share of the failures may go unlogged, at {confidence} confidence.",
                confidence=confidence,
            )
        ]
    else:
        said = [
            t(
                "So at most {share} of failures go unlogged, at {confidence} confidence.",
                share=words.rate_up(rate.upper),
                confidence=confidence,
            )
        ]
    if allowing is not None:
        said.append(_allowing(allowing, confidence))
    return said


def _allowing(allowing: InflatedBound, confidence: str) -> str:
    """Say what the failure rate may be if failures are missed; the verdict rests on the log."""
    if allowing.upper == 1:
        return t("Allowing for failures that nobody logged, nothing is known of the failure rate.")
    return t(
        "Allowing for failures that nobody logged, the failure rate is at most {rate}, at "
        "{confidence} confidence; the verdict does not rest on this.",
        rate=words.rate_up(allowing.upper),
        confidence=confidence,
    )
