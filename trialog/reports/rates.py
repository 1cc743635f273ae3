"""Failure rates with their bounds, a row each for the cell, its devices and failure modes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from trialog.evidence import Counts
from trialog.reliability import RateBounds, failure_rate_bounds

INTERVAL_CONFIDENCE = 0.95
"""Confidence of the two-sided interval shown for information; common practice, no source."""

Level = Literal["cell", "device", "failure mode"]


@dataclass(frozen=True)
class RateRow:
    """The failure rate of one subject: `upper` decides, the interval informs.

    `upper` is the one-sided bound at `confidence`; `interval_lower` and `interval_upper` are
    two-sided at `interval_confidence`. All exact (Clopper-Pearson), failures per cycle.
    """

    level: Level
    name: str
    device: str | None
    effect: str | None
    cycles: int
    failures: int
    no_tests: int | None
    unruled: int | None
    confidence: float
    estimate: float | None
    upper: float
    interval_confidence: float
    interval_lower: float
    interval_upper: float


def rate_rows(counts: Counts, confidence: float, *, cell: str | None) -> tuple[RateRow, ...]:
    """Bound the rates of all devices and failure modes that were counted.

    `cell` is its name where the cell as a whole is of interest too, else None.
    """
    rows = []
    if cell is not None:
        rows.append(_row("cell", cell, counts.cell.to_dict(), confidence))
    modes = counts.modes.to_dict("records")
    for device in counts.devices.to_dict("records"):
        rows.append(_row("device", device["device"], device, confidence))
        rows += [
            _row("failure mode", mode["mode"], mode, confidence, device["device"])
            for mode in modes
            if mode["device_id"] == device["device_id"]
        ]
    return tuple(rows)


def _row(
    level: Level,
    name: str,
    counted: Mapping[Any, Any],
    confidence: float,
    device: str | None = None,
) -> RateRow:
    failures, cycles = int(counted["failures"]), int(counted["cycles"])
    one = failure_rate_bounds(failures, cycles, confidence=confidence)
    two = failure_rate_bounds(failures, cycles, confidence=INTERVAL_CONFIDENCE, sides="both")
    of_mode = level == "failure mode"
    return RateRow(
        level=level,
        name=name,
        device=device,
        effect=str(counted["effect"]) if of_mode else None,
        cycles=cycles,
        failures=failures,
        no_tests=None if of_mode else int(counted["no_tests"]),
        unruled=int(counted["unruled"]) if of_mode else None,
        confidence=confidence,
        estimate=one.estimate,
        upper=one.upper,
        interval_confidence=INTERVAL_CONFIDENCE,
        interval_lower=two.lower,
        interval_upper=two.upper,
    )


def bounds_of(counts: Counts, confidence: float) -> RateBounds:
    """Bound the rate of the cell as a whole."""
    return failure_rate_bounds(
        int(counts.cell["failures"]), int(counts.cell["cycles"]), confidence=confidence
    )
