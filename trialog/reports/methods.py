"""What a document says of how its numbers were made, and where the methods come from."""

from __future__ import annotations

from trialog.reports.rates import INTERVAL_CONFIDENCE
from trialog.reports.words import chance

_COUNTING = (
    "All rates are failures per counted cycle. A cycle with several failure modes of one device "
    "is one failure of that device. A failure nobody has ruled on counts as relevant; a cycle "
    "whose failures are all ruled non-relevant is a no-test and counts neither as good nor as "
    "failed."
)
_BOUND = (
    "At most, in a table of rates: one-sided exact upper bound at the confidence stated, for one "
    "look (Clopper and Pearson 1934, Biometrika 26:404-413)."
)
_TRIAL_BOUND = (
    "Upper bound of a trial: a confidence sequence, which holds however often anybody looks "
    "(mixture martingale: Robbins 1970, Annals of Mathematical Statistics 41:1397-1409; Howard, "
    "Ramdas, McAuliffe and Sekhon 2021, Annals of Statistics 49:1055-1080). Once the plan says GO, "
    "the exact bound of the plan's own stop, with outcomes ordered along its lines (Armitage "
    "1958, Biometrika 45:1-15)."
)
_INTERVAL = (
    f"Interval: two-sided exact, {chance(INTERVAL_CONFIDENCE)} confidence, same source; for "
    "information, nothing is decided by it."
)
_STRETCH = (
    "Proven stretch: the longest N cycles with (1 - p)^N at least the chance required, p being "
    "the upper bound; a device with a share w of the allowance needs chance^w (series model, "
    "NIST/SEMATECH e-Handbook, section 8.1.8.1)."
)
_PLAN = (
    "Plan: smallest number of cycles whose exact binomial risks hold (NIST/SEMATECH e-Handbook, "
    "section 6.2.3; with no failure allowed, the success-run formula). A sequential plan has "
    "Wald's lines (1947, Sequential Analysis), shifted until the exact risks hold; the first line "
    "that is crossed decides."
)
_PATTERN = (
    "Trend and bursts: Laplace test on the counted-cycle numbers of the failures, and homogeneity "
    "of the failure rate over shifts, each at 5 %."
)
_COUNTER = (
    "Counter: closing less opening reading of the machine's own part counter, against the cycles "
    "logged; for the verdict every cycle that nobody logged is also tried as a failure. Lines that "
    "the logbook did not take hold a GO back until an engineer has seen to them."
)


_MISSED = (
    "Spot checks: a failure that a second person saw is in the log if a failed cycle with one of "
    "its modes lies within 3 cycles of it, or where a number is missing if one is left in the "
    "shift. The share that goes unlogged has its exact bound; the bound that allows for it splits "
    "the error evenly (Bonferroni). For information, nothing is decided by it."
)


def for_shift() -> tuple[str, ...]:
    """Return the methods behind a shift's report."""
    return (_COUNTING, _BOUND, _INTERVAL, _TRIAL_BOUND, _STRETCH, _COUNTER, _MISSED)


def for_trial() -> tuple[str, ...]:
    """Return the methods behind a trial's report."""
    return (
        _COUNTING, _TRIAL_BOUND, _BOUND, _INTERVAL, _STRETCH, _PLAN, _PATTERN, _COUNTER, _MISSED,
    )  # fmt: skip
