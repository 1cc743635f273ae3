"""Failures dealt out at random to cycles: the hypergeometric distribution, on trusted input.

Each probability is a product of ratios between neighbours, and the row is scaled to a sum of 1.
So no factorial of a large number is ever formed, and a billion cycles cost no digits.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

SMALLEST = 1e-300
"""No chance is given as less; the floats end not far below."""


def dealt(n: int, rest: int, totals: Ints) -> Floats:
    """Return P(a group of `n` cycles gets 0, 1, 2, ... of the failures), a row for each total.

    The failures are dealt to the group and to `rest` other cycles; columns go up to the most
    that any row's group can get.
    """
    got = np.arange(min(n, int(totals.max())) + 1)
    return scaled(*log_dealt(n, rest, totals, got[None, :]))


def log_dealt(n: int, rest: int, totals: Ints, got: Ints) -> tuple[Floats, Flags]:
    """Return the logs of the probabilities of `got`, and which of them can be.

    `got` are rows of consecutive numbers. A constant is left out of each row.
    """
    left = totals[:, None] - got
    possible = (got >= 0) & (got <= n) & (left >= 0) & (left <= rest)
    step = np.ones(left.shape)
    top = (n - got[:, :-1]) * left[:, :-1]
    inside = possible[:, :-1] & possible[:, 1:]
    np.divide(top, got[:, 1:] * (rest - left[:, 1:]), out=step[:, 1:], where=inside)
    return np.cumsum(np.log(step), axis=1), possible


def scaled(log_weights: Floats, possible: Flags | None = None) -> Floats:
    """Return rows of probabilities in proportion to exp(log_weights), 0 where not `possible`."""
    if possible is not None:
        log_weights = np.where(possible, log_weights, -np.inf)
    weights: Floats = log_weights - log_weights.max(axis=1, keepdims=True)
    np.exp(weights, out=weights)
    weights /= weights.sum(axis=1, keepdims=True)
    return weights
