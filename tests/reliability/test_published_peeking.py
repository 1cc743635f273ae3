"""The checks from outside on bounds that hold however often somebody looks."""

from __future__ import annotations

import numpy as np
import pytest
from support.published import Published, covered, read_published

from trialog.reliability import _beta

TWO_SIDED = "two-sided, with its mixture spread over both sides of the rate; ours is one-sided"
NORMAL = "a mixture for normal sums; ours is for counts"

NOT_COVERED = {
    "T10-cs-700of1000-t100-lo": TWO_SIDED,
    "T10-cs-15of50-t50-lo": TWO_SIDED,
    "T10-cs-5of50-t50-lo": TWO_SIDED,
    "T10-cs-5of50-t50-hi": TWO_SIDED,
    "T10-cs-1of50-t50-lo": TWO_SIDED,
    "T10-cs-100of200-t1-hi": TWO_SIDED,
    "T10-cs-1of2-t50-lo": TWO_SIDED,
    "T10-cs-1of2-t50-hi": TWO_SIDED,
    "T10-cs-0of1-t50-lo": TWO_SIDED,
    "T10-rho": NORMAL,
    "T10-nm-log": NORMAL,
}


def uniform_mixture(failures: int, cycles: int, rate: float) -> float:
    """The likelihood ratio of a rate spread uniformly over (0, 1) against one rate.

    It is our building block of the peek-safe bound before the alternatives above the rate are
    left out: one over the density of a beta variable at the rate.
    """
    law = _beta.beta(np.array([failures + 1.0]), np.array([cycles - failures + 1.0]))
    p, q = np.array([rate]), np.array([1 - rate])
    return float((p * q / np.exp(_beta.log_density(law, p, q)))[0])


ROWS = read_published("10-anytime-valid")


@pytest.mark.parametrize("row", covered(ROWS, NOT_COVERED), ids=str)
def test_agrees_with_the_published_figure(row: Published):
    row.check(uniform_mixture(row.inputs["x"], row.inputs["n"], row.inputs["p0"]))
