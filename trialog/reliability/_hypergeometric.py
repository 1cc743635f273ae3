"""Failures dealt out at random to cycles: the hypergeometric distribution, on trusted input.

Each probability is a product of ratios between neighbours, and the row is scaled to a sum of 1.
So no factorial of a large number is ever formed, and a billion cycles cost no digits.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def dealt(n: int, rest: int, dealt_out: Ints) -> Floats:
    """Return P(a group of `n` cycles gets 0, 1, 2, ... of the failures), a row for each total.

    `dealt_out` are the totals of failures, dealt to the group and to `rest` other cycles; columns
    go up to the most that any row's group can get.
    """
    at = np.arange(min(n, int(dealt_out.max())) + 1)
    left = dealt_out[:, None] - at
    possible = (left >= 0) & (left <= rest)
    step = np.ones(left.shape)
    top, bottom = (n - at[:-1]) * left[:, :-1], at[1:] * (rest - left[:, 1:])
    inside = possible[:, :-1] & possible[:, 1:]
    np.divide(top, bottom, out=step[:, 1:], where=inside)
    return scaled(np.cumsum(np.log(step), axis=1), possible)


def scaled(log_weights: Floats, possible: npt.NDArray[np.bool_]) -> Floats:
    """Return rows of probabilities in proportion to exp(log_weights) where `possible`."""
    peak = np.max(log_weights, axis=1, where=possible, initial=-np.inf, keepdims=True)
    weights = np.exp(np.where(possible, log_weights - peak, -np.inf))
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))
