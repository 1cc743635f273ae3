"""The mathematics: numbers in, frozen results out.

Every rate is per cycle. Nothing here knows of a database, a clock or a screen; randomness is an
argument. Wrong input raises `trialog.errors.InvalidValueError`.
"""

from trialog.reliability._bound_formulas import Method
from trialog.reliability.bounds import (
    RateBounds,
    RateBoundsArray,
    Sides,
    failure_rate_bounds,
)
from trialog.reliability.fixed import ANY_CYCLES, Decision, FixedPlan
from trialog.reliability.order import TrendResult, laplace_test
from trialog.reliability.plans import (
    cycles_for_allowed,
    fixed_plan,
    zero_failure_cycles,
    zero_failure_plan,
)
from trialog.reliability.requirement import (
    SHIFT_HOURS,
    Requirement,
    failure_limit,
    shifts_needed,
    stop_free_chance,
    stop_free_cycles,
    stretch_cycles,
)
from trialog.reliability.spread import HomogeneityResult, homogeneity_test

__all__ = [
    "ANY_CYCLES",
    "SHIFT_HOURS",
    "Decision",
    "FixedPlan",
    "HomogeneityResult",
    "Method",
    "RateBounds",
    "RateBoundsArray",
    "Requirement",
    "Sides",
    "TrendResult",
    "cycles_for_allowed",
    "failure_limit",
    "failure_rate_bounds",
    "fixed_plan",
    "homogeneity_test",
    "laplace_test",
    "shifts_needed",
    "stop_free_chance",
    "stop_free_cycles",
    "stretch_cycles",
    "zero_failure_cycles",
    "zero_failure_plan",
]
