"""What a document says of how its numbers were made, and where the methods come from."""

from __future__ import annotations

from trialog.languages import mark, t
from trialog.reports.rates import INTERVAL_CONFIDENCE
from trialog.reports.words import chance

_COUNTING = mark(
    "All rates are failures per counted cycle. A cycle with several failure modes of one device "
    "is one failure of that device. A failure nobody has ruled on counts as relevant; a cycle "
    "whose failures are all ruled non-relevant is a no-test and counts neither as good nor as "
    "failed."
)
_BOUND = mark(
    "At most, in a table of rates: one-sided exact upper bound at the confidence stated, for one "
    "look (Clopper and Pearson 1934, Biometrika 26:404-413)."
)
_TRIAL_BOUND = mark(
    "Upper bound of a trial: a confidence sequence, which holds however often anybody looks "
    "(mixture martingale: Robbins 1970, Annals of Mathematical Statistics 41:1397-1409; Howard, "
    "Ramdas, McAuliffe and Sekhon 2021, Annals of Statistics 49:1055-1080). Once the plan says GO, "
    "the exact bound of the plan's own stop, with outcomes ordered along its lines (Armitage "
    "1958, Biometrika 45:1-15)."
)
_INTERVAL = mark(
    "Interval: two-sided exact, {confidence} confidence, same source; for information, nothing is "
    "decided by it."
)
_STRETCH = mark(
    "Proven stretch: the longest N cycles with (1 - p)^N at least the chance required, p being "
    "the upper bound; a device with a share w of the allowance needs chance^w (series model, "
    "NIST/SEMATECH e-Handbook, section 8.1.8.1)."
)
_PLAN = mark(
    "Plan: smallest number of cycles whose exact binomial risks hold (NIST/SEMATECH e-Handbook, "
    "section 6.2.3; with no failure allowed, the success-run formula). A sequential plan has "
    "Wald's lines (1947, Sequential Analysis), shifted until the exact risks hold; the first line "
    "that is crossed decides."
)
_PATTERN = mark(
    "Trend and bursts: Laplace test on the counted-cycle numbers of the failures, and homogeneity "
    "of the failure rate over shifts, each at 5 %."
)
_COUNTER = mark(
    "Counter: closing less opening reading of the machine's own part counter, against the cycles "
    "logged; for the verdict every cycle that nobody logged is also tried as a failure. Lines that "
    "the logbook did not take hold a GO back until an engineer has seen to them."
)


_MISSED = mark(
    "Spot checks: a failure that a second person saw is in the log if a failed cycle with one of "
    "its modes lies within 3 cycles of it, or where a number is missing if one is left in the "
    "shift. The share that goes unlogged has its exact bound; the bound that allows for it splits "
    "the error evenly (Bonferroni). For information, nothing is decided by it."
)


_BEFORE_AFTER = mark(
    "Before and after: Boschloo's exact test (1970, Statistica Neerlandica 24:1-9) of a revision "
    "against the one before it that has cycles, twice its one-sided p value, since which way a "
    "change goes is not known beforehand; adjusted for all comparisons shown (Holm 1979, "
    "Scandinavian Journal of Statistics 6:65-70). A difference is called real from 95 % on; common "
    "practice, no source. How many times as often: exact interval given the total of failures "
    "(Przyborowski and Wilenski 1940, Biometrika 31:313-323). All shifts of the stage count here, "
    "those before the trial too."
)
_STOPS = mark(
    "Stops: the 90th percentile and its bounds are clear times themselves, by order statistics "
    "(David and Nagaraja 2003, Order Statistics, section 7.1), for any distribution. Mean: "
    "exponential clear times (Epstein and Sobel 1953, J. American Statistical Association "
    "48:486-502); most vary less, which makes the interval wider than it need be. Stops per cycle: "
    "Garwood (1936, Biometrika 28:437-442). Availability: cycle time by cycle time and mean time "
    "spent clearing (IEC 60050-192), with the bounds of both parts at half of the error each."
)
_WORST = mark(
    "Worst case: every cycle that the machine counted and nobody logged taken as a failure, the "
    "first in its shift. The bound of a single shift is the exact one."
)
_CONDITIONS = mark(
    "Conditions: those marked in shifts with counted cycles since the evidence began. A material "
    "lot named twice is one lot. A plan of shifts counts on one of each condition a shift."
)


def _said(*texts: str) -> tuple[str, ...]:
    confidence = chance(INTERVAL_CONFIDENCE)
    return tuple(t(text, confidence=confidence) for text in texts)


_CELL = mark(
    "Cell: its own trial bounds it once that has counted cycles, for then cycles in which any "
    "device failed are counted directly. Until then its devices' own trials do, each by its "
    "peek-safe bound at an equal part of the error, added up (Bonferroni's inequality): that holds "
    "however often anybody looks, and whether or not devices fail independently. A device without "
    "a trial leaves everything open. The cell's verdict is that of its weakest trial. Stages are "
    "never mixed."
)
_COURSE = mark(
    "Proven after each shift: the bound of a trial as it would have stood then, on the evidence as "
    "it is recorded and ruled on now."
)
_BY_SHIFT = mark(
    "Failures by shift: exact binomial limits at the rate of all shifts together, with a false "
    "alarm in at most 0.135 % of shifts on each side, as 3 sigma on a normal chart (common "
    "practice, no source); chart of proportions, NIST/SEMATECH e-Handbook, section 6.3.3.2. The "
    "shifts have a part in that rate themselves. For information, nothing is decided by it."
)
_BETWEEN = mark(
    "Cycles between failures: exact limits of the geometric distribution at the trial's own rate, "
    "with the same false alarms (Kaminsky, Benneyan, Davis and Burke 1992, Journal of Quality "
    "Technology 24:63-69, for the chart). For information, nothing is decided by it."
)
_STOP_FREE = mark(
    "Chance of a stop-free stretch: (1 - p)^N for N cycles; the full line has the bound as p, and "
    "the band the two-sided exact interval."
)


def for_shift() -> tuple[str, ...]:
    """Return the methods behind a shift's report."""
    return _said(
        _COUNTING, _BOUND, _INTERVAL, _TRIAL_BOUND, _STRETCH, _BY_SHIFT, _COUNTER, _WORST, _STOPS,
        _MISSED,
    )  # fmt: skip


def for_trial() -> tuple[str, ...]:
    """Return the methods behind a trial's report."""
    return _said(
        _COUNTING, _TRIAL_BOUND, _BOUND, _INTERVAL, _STRETCH, _COURSE, _STOP_FREE, _PLAN, _BY_SHIFT,
        _BETWEEN, _PATTERN, _BEFORE_AFTER, _COUNTER, _CONDITIONS, _STOPS, _MISSED,
    )  # fmt: skip


def for_evidence() -> tuple[str, ...]:
    """Return the methods behind the page on a trial's evidence."""
    return _said(
        _COUNTING, _BEFORE_AFTER, _BOUND, _COUNTER, _WORST, _TRIAL_BOUND, _CONDITIONS, _STOPS
    )


def for_cell() -> tuple[str, ...]:
    """Return the methods behind a cell's report."""
    return _said(_COUNTING, _CELL, _TRIAL_BOUND, _STRETCH, _STOP_FREE, _PLAN, _CONDITIONS)


def for_fleet() -> tuple[str, ...]:
    """Return the methods behind the overview of all cells."""
    return _said(_COUNTING, _CELL, _TRIAL_BOUND, _STRETCH)
