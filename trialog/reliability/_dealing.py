"""The chance that failures dealt out at random fall at least as unevenly as they did, exactly.

Groups are dealt to one after the other. A state is how many failures are left and how uneven the
groups so far are; equal states are merged. Most states are settled early: whatever the other
groups get, the table ends at least as uneven as the observed one, or less uneven. Only the others
are dealt on. The same pruning as in Mehta and Patel (1983), J. American Statistical Association
78:427-434, with simpler bounds.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from trialog.reliability._hypergeometric import SMALLEST, dealt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SAME = 1e-12
"""Relative difference below which two sums of the same fractions are one."""


class States(NamedTuple):
    """Failures left for the groups still to come, unevenness so far, and chance of that."""

    left: Ints
    uneven: Floats
    chance: Floats


def chance_of(bar: float, n: Ints, total: int, most_tables: int) -> float | None:
    """Return P(sum of k^2 / n >= bar) for `total` failures dealt to groups of `n` cycles.

    None if more than `most_tables` states would have to be looked at. From the largest group on,
    the last ones decide most states.
    """
    sizes = np.sort(n)[::-1]
    states = States(np.array([total]), np.zeros(1), np.ones(1))
    reached = 0.0
    for at, size in enumerate(sizes[:-1]):
        most_tables -= states.left.size * (min(int(size), int(states.left.max())) + 1)
        if most_tables < 0:
            return None
        later = sizes[at + 1 :]
        states = _dealt_on(states, int(size), int(later.sum()))
        settled, states = _settled(states, later, bar)
        reached += settled
        if states.left.size == 0:
            break
    return min(max(reached, SMALLEST), 1.0)


def _dealt_on(states: States, size: int, rest: int) -> States:
    """Deal to one more group."""
    chance = dealt(size, rest, states.left) * states.chance[:, None]
    row, got = np.nonzero(chance)
    uneven = states.uneven[row] + got * got / size
    return _merged(States(states.left[row] - got, uneven, chance[row, got]))


def _merged(states: States) -> States:
    """Add up the chances of equal states."""
    order = np.lexsort((states.uneven, states.left))
    left, uneven, chance = states.left[order], states.uneven[order], states.chance[order]
    new = np.diff(uneven, prepend=-1.0) > SAME * uneven
    new |= np.diff(left, prepend=-1) != 0
    first = np.flatnonzero(new)
    return States(left[first], uneven[first], np.add.reduceat(chance, first))


def _settled(states: States, later: Ints, bar: float) -> tuple[float, States]:
    """Return the chance of the states sure to reach `bar`, and those that still may.

    r failures in N further cycles add at least r^2 / N, when they come evenly, and at most
    r^2 / n, n the smallest group, and never more than r.
    """
    left = states.left.astype(np.float64)
    least = states.uneven + left * left / later.sum()
    most = states.uneven + np.minimum(left * left / later.min(), left)
    sure = least >= bar
    open_still = ~sure & (most >= bar)
    kept = States(states.left[open_still], states.uneven[open_still], states.chance[open_still])
    return float(states.chance[sure].sum()), kept
