"""The mathematics: numbers in, frozen results out.

Every rate is per cycle. Nothing here knows of a database, a clock or a screen; randomness is an
argument. Wrong input raises `trialog.errors.InvalidValueError`.
"""

from trialog.reliability._bound_formulas import Method
from trialog.reliability._positions import Termination, Ties
from trialog.reliability.agreement import KappaResult, cohen_kappa
from trialog.reliability.availability import (
    Availability,
    MeanTime,
    StopRate,
    availability_bounds,
    mean_time_bounds,
    stop_rate_bounds,
)
from trialog.reliability.beta_binomial import (
    BetaBinomialFit,
    TaroneResult,
    beta_binomial_fit,
    tarone_z,
)
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
from trialog.reliability.cell import SeriesBound, SeriesMethod, series_upper_bound
from trialog.reliability.choices import PlanChoice, plan_choices
from trialog.reliability.compare import RateComparison, compare_rates
from trialog.reliability.control import (
    ControlChart,
    ControlLimits,
    control_chart,
    control_limits,
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
from trialog.reliability.holm import Against, GroupComparison, compare_many, holm_adjust
from trialog.reliability.missed import (
    InflatedBound,
    MissRate,
    inflated_upper_bound,
    observer_miss_rate,
)
from trialog.reliability.order import (
    ArrangementsResult,
    ChiSquareTrendResult,
    TrendResult,
    laplace_test,
    mil_hdbk_189_test,
    reverse_arrangements_test,
)
from trialog.reliability.path import Crossing, Plan, first_decision
from trialog.reliability.percentile import (
    PercentileBounds,
    Within,
    percentile_bounds,
    values_within,
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
from trialog.reliability.sequential import SequentialPlan
from trialog.reliability.shift_adjusted import ShiftAdjustedBound, shift_adjusted_bound
from trialog.reliability.shop import (
    CleanRun,
    FailurePrice,
    clean_run,
    cycles_in_shifts,
    price_of_failures,
)
from trialog.reliability.spread import HomogeneityResult, homogeneity_test
from trialog.reliability.standing import BoundMethod, Standing, decision_under, standing_under
from trialog.reliability.stop_free import StopFreeChances, stop_free_chances
from trialog.reliability.stops import (
    ExpectedStops,
    expected_stops,
    limit_with_stops,
    share_of_limit,
    stretch_with_stops,
)
from trialog.reliability.tuning import sequential_plan
from trialog.reliability.wald import WaldLines, wald_lines

__all__ = [
    "ANY_CYCLES",
    "SHIFT_HOURS",
    "Against",
    "ArrangementsResult",
    "Availability",
    "BetaBinomialFit",
    "BetweenChart",
    "BetweenLimits",
    "BoundMethod",
    "ChiSquareTrendResult",
    "CleanRun",
    "ControlChart",
    "ControlLimits",
    "Crossing",
    "CusumResult",
    "Decision",
    "ExpectedStops",
    "FailurePrice",
    "FixedPlan",
    "GroupComparison",
    "GrowthFit",
    "HomogeneityResult",
    "InflatedBound",
    "KappaResult",
    "MeanTime",
    "Method",
    "MissRate",
    "PercentileBounds",
    "Plan",
    "PlanChoice",
    "PowerLawGrowth",
    "RateBounds",
    "RateBoundsArray",
    "RateComparison",
    "Requirement",
    "RunsResult",
    "SequentialPlan",
    "SeriesBound",
    "SeriesMethod",
    "ShiftAdjustedBound",
    "Sides",
    "Standing",
    "StopFreeChances",
    "StopRate",
    "TaroneResult",
    "Termination",
    "Ties",
    "TrendResult",
    "WaldLines",
    "Within",
    "availability_bounds",
    "bernoulli_cusum",
    "beta_binomial_fit",
    "between_limits",
    "clean_run",
    "cohen_kappa",
    "compare_many",
    "compare_rates",
    "control_chart",
    "control_limits",
    "cramer_von_mises_test",
    "cusum_m",
    "cusum_run_length",
    "cusum_threshold",
    "cycles_between_failures",
    "cycles_for_allowed",
    "cycles_in_shifts",
    "decision_under",
    "expected_stops",
    "failure_limit",
    "failure_rate_bounds",
    "first_decision",
    "fixed_plan",
    "holm_adjust",
    "homogeneity_test",
    "inflated_upper_bound",
    "laplace_test",
    "limit_with_stops",
    "mean_time_bounds",
    "mil_hdbk_189_test",
    "observer_miss_rate",
    "percentile_bounds",
    "plan_choices",
    "power_law_growth",
    "price_of_failures",
    "reverse_arrangements_test",
    "runs_test",
    "sequential_plan",
    "series_upper_bound",
    "share_of_limit",
    "shift_adjusted_bound",
    "shifts_needed",
    "standing_under",
    "stop_free_chance",
    "stop_free_chances",
    "stop_free_cycles",
    "stop_rate_bounds",
    "stretch_cycles",
    "stretch_with_stops",
    "tarone_z",
    "values_within",
    "wald_lines",
    "zero_failure_cycles",
    "zero_failure_plan",
]
