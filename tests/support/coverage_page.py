"""What the help page on coverage shows: tables and a picture, worked out from the bounds.

Coverage is summed exactly over every outcome. `.ci/coverage-page` writes the page anew; a test
compares it with what is worked out now.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import get_args

import numpy as np
from scipy import stats
from support.help_tables import DOCS, put_tables, table
from support.peeking import ever_wrong

from trialog.reliability import Method, Sides, failure_rate_bounds

PAGE, PICTURE = DOCS / "coverage.md", DOCS / "images" / "coverage.svg"

METHODS: tuple[Method, ...] = get_args(Method)
NAMES = {
    "exact": "exact",
    "midp": "mid-P",
    "wilson": "Wilson",
    "wilson_cc": "Wilson, continuity",
    "jeffreys": "Jeffreys",
    "peek_safe": "peek-safe",
}
CYCLES = [20, 100, 1_000, 10_000]
RATES = [0.001, 0.01, 0.05, 0.1, 0.5]
CURVE_CYCLES, CURVE_RATES = 100, np.linspace(0.001, 0.5, 500)


def coverage(method: Method, sides: Sides, cycles: int, rates: Iterable[float]) -> list[float]:
    """The chance that the bounds at 95 % hold the true rate, for each true rate."""
    outcomes = np.arange(cycles + 1)
    bounds = failure_rate_bounds(outcomes, cycles, sides=sides, method=method)
    return [
        float(
            stats.binom.pmf(outcomes, cycles, rate)[
                (bounds.lower <= rate) & (rate <= bounds.upper)
            ].sum()
        )
        for rate in rates
    ]


def coverage_table(sides: Sides) -> str:
    rows = []
    for cycles in CYCLES:
        columns = [coverage(method, sides, cycles, RATES) for method in METHODS]
        for rate, covered in zip(RATES, zip(*columns, strict=True), strict=True):
            rows.append([f"{cycles:,}", f"{rate:g}", *(f"{100 * part:.1f}" for part in covered)])
    return table(["cycles", "true rate", *(NAMES[method] for method in METHODS)], rows)


def tightness_table() -> str:
    """The peek-safe bound over the exact one."""
    cycles = np.array([100, 1_000, 20_000, 1_000_000])
    rows = []
    for failures in (0, 1, 2, 5, 10, 50):
        exact = failure_rate_bounds(failures, cycles).upper
        safe = failure_rate_bounds(failures, cycles, method="peek_safe").upper
        rows.append([str(failures), *(f"{ratio:.2f}" for ratio in safe / exact)])
    return table(["failures", *(f"in {count:,} cycles" for count in cycles)], rows)


def peeking_table() -> str:
    """The chance of ever being wrong, looking after each of 50,000 cycles."""
    rows = [
        [
            f"{rate:g}",
            *(f"{100 * ever_wrong(how, 0.95, rate):.1f}" for how in ("exact", "peek_safe")),
        ]
        for rate in (0.0001, 0.001, 0.01, 0.1)
    ]
    return table(["true rate", "exact", "peek-safe"], rows)


def tables() -> dict[str, str]:
    """Every table of the page, by the heading that it stands under."""
    return {
        "Two-sided intervals": coverage_table("both"),
        "Upper bounds": coverage_table("upper"),
        "The price of looking often": tightness_table(),
        "What looking often does": peeking_table(),
    }


# The picture: a panel for each method, coverage of the two-sided interval against the true rate.

WIDE, HIGH, LEFT, TOP, GAP = 210, 110, 44, 30, 44
LEAST = 0.85


def picture() -> str:
    panels = [panel(at, method) for at, method in enumerate(METHODS)]
    size = f'viewBox="0 0 {3 * (WIDE + GAP) + LEFT} {2 * (HIGH + GAP) + TOP}"'
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" {size}'
            ' font-family="sans-serif" font-size="12">',
            '<rect width="100%" height="100%" fill="#ffffff"/>',
            *panels,
            "</svg>\n",
        ]
    )


def panel(at: int, method: Method) -> str:
    left, top = LEFT + at % 3 * (WIDE + GAP), TOP + at // 3 * (HIGH + GAP)
    covered = coverage(method, "both", CURVE_CYCLES, CURVE_RATES)
    points = " ".join(
        f"{left + WIDE * rate / 0.5:.1f},{height(top, part):.1f}"
        for rate, part in zip(CURVE_RATES, covered, strict=True)
    )
    lines = [f'<text x="{left}" y="{top - 8}" font-weight="bold">{NAMES[method]}</text>']
    for part in (0.85, 0.9, 0.95, 1.0):
        y = height(top, part)
        color = "#404040" if part == 0.95 else "#d0d0d0"
        lines += [
            f'<line x1="{left}" y1="{y:.1f}" x2="{left + WIDE}" y2="{y:.1f}" stroke="{color}"/>',
            f'<text x="{left - 6}" y="{y + 4:.1f}" text-anchor="end">{100 * part:.0f}</text>',
        ]
    lines += [
        f'<text x="{left + WIDE * rate / 0.5:.1f}" y="{top + HIGH + 16}" text-anchor="middle">'
        f"{rate:g}</text>"
        for rate in (0, 0.25, 0.5)
    ]
    lines.append(f'<polyline points="{points}" fill="none" stroke="#1f5fa8"/>')
    return "\n".join(lines)


def height(top: int, part: float) -> float:
    """Where a coverage stands in its panel; what lies below LEAST is drawn at its foot."""
    return top + HIGH * (1 - max(part, LEAST)) / (1 - LEAST)


def write() -> None:
    """Put the tables of today under their headings in the page, and draw the picture."""
    put_tables(PAGE, tables())
    PICTURE.write_text(picture(), encoding="utf-8")
