"""The mathematics: numbers in, frozen results out.

Every rate is per cycle. Nothing here knows of a database, a clock or a screen; randomness is an
argument. Wrong input raises `trialog.errors.InvalidValueError`.
"""

from trialog.reliability._bound_formulas import Method
from trialog.reliability._positions import Termination, Ties
from trialog.reliability.between import (
    BetweenChart,
    BetweenLimits,
    between_limits,
    cycles_between_failures,
)
from trialog.reliability.bounds import (
    RateBounds,
    RateBoundsArray,
    Sides,
    failure_rate_bounds,
)
from trialog.reliability.cusum import (
    CusumResult,
    bernoulli_cusum,
    cusum_m,
    cusum_run_length,
    cusum_threshold,
)
from trialog.reliability.fixed import ANY_CYCLES, Decision, FixedPlan
from trialog.reliability.growth import (
    GrowthFit,
    PowerLawGrowth,
    cramer_von_mises_test,
    power_law_growth,
)
from trialog.reliability.order import (
    ArrangementsResult,
    ChiSquareTrendResult,
    TrendResult,
    laplace_test,
    mil_hdbk_189_test,
    reverse_arrangements_test,
)
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
from trialog.reliability.runs import RunsResult, runs_test
from trialog.reliability.spread import HomogeneityResult, homogeneity_test

__all__ = [
    "ANY_CYCLES",
    "SHIFT_HOURS",
    "ArrangementsResult",
    "BetweenChart",
    "BetweenLimits",
    "ChiSquareTrendResult",
    "CusumResult",
    "Decision",
    "FixedPlan",
    "GrowthFit",
    "HomogeneityResult",
    "Method",
    "PowerLawGrowth",
    "RateBounds",
    "RateBoundsArray",
    "Requirement",
    "RunsResult",
    "Sides",
    "Termination",
    "Ties",
    "TrendResult",
    "bernoulli_cusum",
    "between_limits",
    "cramer_von_mises_test",
    "cusum_m",
    "cusum_run_length",
    "cusum_threshold",
    "cycles_between_failures",
    "cycles_for_allowed",
    "failure_limit",
    "failure_rate_bounds",
    "fixed_plan",
    "homogeneity_test",
    "laplace_test",
    "mil_hdbk_189_test",
    "power_law_growth",
    "reverse_arrangements_test",
    "runs_test",
    "shifts_needed",
    "stop_free_chance",
    "stop_free_cycles",
    "stretch_cycles",
    "zero_failure_cycles",
    "zero_failure_plan",
]
