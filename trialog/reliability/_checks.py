"""Checks on what callers hand in; each raises InvalidValueError with the rule that was broken."""

from __future__ import annotations

import math
from numbers import Integral, Real

import numpy as np
import numpy.typing as npt

from trialog.errors import InvalidValueError


def whole(field: str, value: object, low: int, high: int | None = None, name: str = "") -> int:
    """Return `value` as an int if it is a whole number from `low` to `high`.

    `name` says in the message what `high` is: "be between 0 and cycles (10)".
    """
    if high is None:
        rule = f"be a whole number of at least {low}"
    else:
        rule = f"be between {low} and {name} ({high})"
    if isinstance(value, bool) or not isinstance(value, Integral):
        raise InvalidValueError(field, rule, value)
    number = int(value)
    if number < low or (high is not None and number > high):
        raise InvalidValueError(field, rule, value)
    return number


def real(field: str, value: object, rule: str) -> float:
    """Return `value` as a float if it is a finite number."""
    if isinstance(value, bool) or not isinstance(value, Real) or not math.isfinite(value):
        raise InvalidValueError(field, rule, value)
    return float(value)


def positive(field: str, value: object) -> float:
    """Return `value` as a float if it is finite and above 0."""
    rule = "be a number above 0"
    number = real(field, value, rule)
    if number <= 0:
        raise InvalidValueError(field, rule, value)
    return number


def inside(field: str, value: object, high: float = 1.0, name: str = "") -> float:
    """Return `value` as a float if it lies strictly between 0 and `high`.

    `name` says in the message what `high` is, where it is not 1.
    """
    rule = f"be above 0 and below {name} ({high})" if name else "be above 0 and below 1"
    number = real(field, value, rule)
    if not 0 < number < high:
        raise InvalidValueError(field, rule, value)
    return number


def chance(field: str, value: object) -> float:
    """Return `value` as a float if it lies from 0 to 1, both included."""
    rule = "be between 0 and 1"
    number = real(field, value, rule)
    if not 0 <= number <= 1:
        raise InvalidValueError(field, rule, value)
    return number


def part(field: str, value: object) -> float:
    """Return `value` as a float if it is above 0 and at most 1."""
    rule = "be above 0 and at most 1"
    number = real(field, value, rule)
    if not 0 < number <= 1:
        raise InvalidValueError(field, rule, value)
    return number


def between(field: str, value: object, low: float, name: str) -> float:
    """Return `value` as a float if it lies strictly between `low`, called `name`, and 1."""
    rule = f"be above {name} ({low}) and below 1"
    number = real(field, value, rule)
    if not low < number < 1:
        raise InvalidValueError(field, rule, value)
    return number


def chances(field: str, values: object) -> npt.NDArray[np.float64]:
    """Return a number, or an array of them, as floats if each lies from 0 to 1."""
    rule = "be between 0 and 1"
    array = np.asarray(values)
    if array.dtype.kind not in "iuf":
        raise InvalidValueError(field, rule, values)
    outside = ~((array >= 0) & (array <= 1))
    if outside.any():
        raise InvalidValueError(field, rule, array[outside].flat[0].item())
    return array.astype(np.float64)
