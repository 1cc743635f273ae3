"""Counts of several groups of cycles (shifts, operators, lots), checked once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks

Counts = Sequence[int] | npt.NDArray[np.integer[Any]]
Ints = npt.NDArray[np.int64]

MOST_TOGETHER = 999_999_999
"""The library's multivariate hypergeometric draws reach no farther."""


def with_cycles(failures: Counts, cycles: Counts) -> tuple[Ints, Ints]:
    """Return the counts of the groups that have cycles, refusing those that cannot be."""
    k, n = list(failures), list(cycles)
    if len(k) != len(n):
        raise InvalidValueError("cycles", f"have one count a group ({len(k)})", len(n))
    n = [_checks.whole("cycles", count, 0) for count in n]
    k = [_checks.whole("failures", k[i], 0, n[i], "cycles") for i in range(len(n))]
    if sum(n) > MOST_TOGETHER:
        raise InvalidValueError("cycles", f"be at most {MOST_TOGETHER:,} together", sum(n))
    some = np.array(n) > 0
    return np.array(k, dtype=np.int64)[some], np.array(n, dtype=np.int64)[some]
