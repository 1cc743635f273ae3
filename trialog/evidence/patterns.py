"""What speaks against a steady failure rate: failures that come sooner and sooner, or in bursts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from trialog.languages import localised, t
from trialog.reliability import (
    HomogeneityResult,
    homogeneity_test,
    laplace_test,
    shift_adjusted_bound,
)

SIGNIFICANCE = 0.05
"""Chance of calling a steady device's record a pattern; common practice, no source."""

LEAST_FAILURES = 3
"""With fewer failures no order of them is surprising; common practice, no source."""

SEED = 20_240_501

Counts = npt.NDArray[np.int64]


def find_patterns(
    positions: Sequence[int],
    cycles: int,
    shift_failures: Counts,
    shift_cycles: Counts,
    *,
    confidence: float,
) -> Iterator[str]:
    """Say each pattern in the failures of a trial that chance alone would seldom make.

    `positions` are the cycle numbers of the failures whose place is known, the counts those of
    each shift. A burst comes with the bound that allows for it, at `confidence`.
    """
    if len(positions) >= LEAST_FAILURES:
        trend = laplace_test(positions, cycles)
        if trend.p_worsening is not None and trend.p_worsening < SIGNIFICANCE:
            yield t(
                "failures come closer together (Laplace test, p = {p})",
                p=localised(f"{trend.p_worsening:.2g}"),
            )
    if shift_failures.sum() >= LEAST_FAILURES and shift_cycles.size > 1:
        spread = _spread(tuple(shift_failures.tolist()), tuple(shift_cycles.tolist()))
        if spread.p_value < SIGNIFICANCE:
            adjusted = shift_adjusted_bound(shift_failures, shift_cycles, confidence=confidence)
            yield t(
                "failures bunch in some shifts (homogeneity over {shifts} shifts, p = {p}); the "
                "plan and its bounds assume a steady rate, and with an allowance for bursts the "
                "failure rate is at most {upper}",
                shifts=shift_cycles.size,
                p=localised(f"{spread.p_value:.2g}"),
                upper=localised(f"{adjusted.upper:.3g}"),
            )


@lru_cache(maxsize=256)
def _spread(failures: tuple[int, ...], cycles: tuple[int, ...]) -> HomogeneityResult:
    """Test the same counts only once: page after page asks for the verdict of the same record."""
    return homogeneity_test(failures, cycles, rng=np.random.default_rng(SEED))
