"""Where the failures of a trial lie, checked: as cycle numbers, or as times of any unit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError
from trialog.reliability import _checks

Positions = Sequence[int] | npt.NDArray[Any]
Times = Sequence[float] | npt.NDArray[Any]
Floats = npt.NDArray[np.float64]

Termination = Literal["time", "failure"]
Ties = Literal["refuse", "keep"]

FEWEST = 2
"""Failures below which an order says nothing."""


def places(positions: Positions, cycles: int) -> npt.NDArray[Any]:
    """Return the positions as an array, once they are known to be cycle numbers."""
    array = _plain(positions)
    outside = ~((array >= 1) & (array <= cycles) & (array == np.floor(array)))
    if outside.any():
        rule = f"be whole numbers from 1 to cycles ({cycles})"
        raise InvalidValueError("positions", rule, float(array[outside][0]))
    _refuse_ties(array, positions)
    return array


def sorted_places(positions: Positions, cycles: int) -> npt.NDArray[np.int64]:
    """Return the cycle numbers as integers, first to last."""
    return np.sort(places(positions, cycles)).astype(np.int64)


def times(positions: Times, cycles: object, ties: Ties) -> tuple[Floats, float]:
    """Return times above 0 and at most `cycles`, first to last, and `cycles` as a float."""
    choice("ties", ties, get_args(Ties))
    end = _checks.real("cycles", cycles, "be a number of at least 0")
    if end < 0:
        raise InvalidValueError("cycles", "be a number of at least 0", cycles)
    array = _plain(positions).astype(np.float64)
    outside = ~((array > 0) & (array <= end))
    if outside.any():
        rule = f"be above 0 and at most cycles ({end})"
        raise InvalidValueError("positions", rule, float(array[outside][0]))
    if ties == "refuse":
        _refuse_ties(array, positions)
    return np.sort(array), end


def informative(
    ordered: npt.NDArray[Any], end: float, termination: Termination
) -> npt.NDArray[Any]:
    """Return the failures whose place was left to chance, given how many there were.

    All of them where the trial ended at a number of cycles. Where it ended at a failure, that
    one lies at the end by rule and tells nothing.
    """
    choice("termination", termination, get_args(Termination))
    if termination == "time" or not ordered.size:
        return ordered
    if ordered[-1] != end:
        rule = f"be the last failure ({ordered[-1]}) where the trial ended at a failure"
        raise InvalidValueError("cycles", rule, end)
    return ordered[:-1]


def choice(field: str, value: object, names: tuple[str, ...]) -> None:
    """Refuse a value that is not one of the names."""
    if value not in names:
        raise InvalidValueError(field, f"be one of {', '.join(names)}", value)


def _plain(positions: Times) -> npt.NDArray[Any]:
    array = np.asarray(positions)
    if array.ndim != 1 or array.dtype.kind not in "iuf":
        raise InvalidValueError("positions", "be a plain sequence of numbers", positions)
    return array


def _refuse_ties(array: npt.NDArray[Any], positions: object) -> None:
    if np.unique(array).size < array.size:
        raise InvalidValueError("positions", "name each cycle once", positions)
