"""The failure rate of each shift, with how far it can be trusted and what a steady rate allows."""

from __future__ import annotations

from collections.abc import Sequence

from trialog.evidence.course import CountedShift
from trialog.languages import t
from trialog.reliability import (
    ControlChart,
    RateBoundsArray,
    control_chart,
    failure_rate_bounds,
)
from trialog.reports import words
from trialog.reports.figures.chart import (
    BAND,
    LINE,
    MARK,
    NO_GO_COLOUR,
    QUIET,
    Chart,
    axis,
    frame,
    named_places,
    plain_text,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table

MOST_SHIFTS = 60
"""Shifts drawn, and in the table: the newest. Their limits are those of all."""

MOST_NAMED = 3


def failures_by_shift(shifts: Sequence[CountedShift], *, subject: str, confidence: float) -> Chart:
    """Draw the failure rate of each shift, in order, with exact intervals at a confidence."""
    failures, cycles = ([getattr(one, name) for one in shifts] for name in ("failures", "cycles"))
    chart = control_chart(failures, cycles)
    first = max(len(shifts) - MOST_SHIFTS, 0)
    bounds = failure_rate_bounds(
        failures[first:], cycles[first:], confidence=confidence, sides="both"
    )
    figure = Figure()
    if chart.limits is not None:
        _add_limits(figure, chart, first)
        _add_rates(figure, shifts, chart, bounds, first)
    frame(
        figure,
        xaxis=axis(t("shift"), **named_places([one.shift for one in shifts[first:]])),
        yaxis=axis(t("failed, % of cycles"), range=[0, _top(chart, bounds, first)]),
        margin={"l": 70, "r": 20, "t": 12, "b": 70},
    )
    return Chart(
        name="failures-by-shift",
        title=_title(shifts, chart),
        summary=_summary(shifts, chart, subject, confidence, first),
        tables=(_table(shifts, chart, bounds, confidence, first),),
        figure=figure,
    )


def _add_limits(figure: Figure, chart: ControlChart, first: int) -> None:
    """Draw the limits as steps, a tread for each shift."""
    limits = chart.limits
    if limits is None:
        return
    sizes = limits.cycles[first:].clip(1)
    edges = [place + side for place in range(len(sizes)) for side in (-0.5, 0.5)]

    def treads(counts: Sequence[int]) -> list[float]:
        return [
            100 * count / size for count, size in zip(counts, sizes, strict=True) for _ in (0, 1)
        ]

    line = {"color": LINE, "width": 1.5, "dash": "dot"}
    figure.add_scatter(name="lower limit", x=edges, y=treads(limits.lower[first:].tolist()),
                       mode="lines", line=line, hoverinfo="skip")  # fmt: skip
    figure.add_scatter(name="upper limit", x=edges, y=treads(limits.upper[first:].tolist()),
                       mode="lines", line=line, fill="tonexty", fillcolor=BAND,
                       hoverinfo="skip")  # fmt: skip
    figure.add_scatter(name="all together", x=[edges[0], edges[-1]], y=[100 * limits.rate] * 2,
                       mode="lines", line={"color": LINE, "width": 2, "dash": "dash"},
                       hoverinfo="skip")  # fmt: skip


def _add_rates(
    figure: Figure,
    shifts: Sequence[CountedShift],
    chart: ControlChart,
    bounds: RateBoundsArray,
    first: int,
) -> None:
    rates = 100 * bounds.estimate
    out = {*chart.low, *chart.high}
    beyond = [place in out for place in range(first, len(shifts))]
    figure.add_scatter(
        name="shift",
        x=list(range(len(shifts) - first)),
        y=rates.tolist(),
        mode="markers",
        marker={
            "size": [13 if one else 9 for one in beyond],
            "symbol": ["diamond" if one else "circle" for one in beyond],
            "color": [NO_GO_COLOUR if one else MARK for one in beyond],
        },
        error_y={
            "type": "data", "symmetric": False, "color": QUIET, "thickness": 1.5, "width": 4,
            "array": (100 * bounds.upper - rates).tolist(),
            "arrayminus": (rates - 100 * bounds.lower).tolist(),
        },
        text=[
            f"{plain_text(one.shift)}: "
            + t("{failures} in {cycles}", failures=one.failures, cycles=one.cycles)
            for one in shifts[first:]
        ],
        hoverinfo="text",
    )  # fmt: skip


def _top(chart: ControlChart, bounds: RateBoundsArray, first: int) -> float:
    """Return the end of the axis: the interval of a shift of few cycles may run out of it."""
    if chart.limits is None:
        return 1.0
    limits = chart.limits.upper[first:] / chart.limits.cycles[first:].clip(1)
    drawn = max(float(limits.max()), float(bounds.estimate.max()))
    longest = 1.05 * float(bounds.upper.max())
    return 100 * (min(longest, 2.5 * drawn) if drawn else longest)


def _names(shifts: Sequence[CountedShift], places: Sequence[int]) -> str:
    names = [shifts[place].shift for place in places[-MOST_NAMED:]]
    more = len(places) - len(names)
    return words.listed([*names, t("{number} more", number=more)] if more else names)


def _title(shifts: Sequence[CountedShift], chart: ControlChart) -> str:
    if chart.limits is None:
        return t("No shift with a counted cycle yet")
    counts = _counts(chart)
    if len(shifts) == 1:
        return t("{counts} in one shift: nothing to compare it with yet", counts=counts)
    if chart.high:
        return t("Failed more often than a steady rate allows: {shifts}",
                 shifts=_names(shifts, chart.high))  # fmt: skip
    if chart.low:
        return t("Failed less often than a steady rate allows: {shifts}",
                 shifts=_names(shifts, chart.low))  # fmt: skip
    return t("No shift stands out: {counts} over {shifts}",
             counts=counts, shifts=words.counted(len(shifts), "shift"))  # fmt: skip


def _counts(chart: ControlChart) -> str:
    return t(
        "{failures} in {cycles}",
        failures=words.counted(int(chart.failures.sum()), "relevant failure"),
        cycles=words.counted(int(chart.cycles.sum()), "counted cycle"),
    )


def _summary(
    shifts: Sequence[CountedShift],
    chart: ControlChart,
    subject: str,
    confidence: float,
    first: int,
) -> str:
    if chart.limits is None:
        return t("{subject}: no cycle was counted.", subject=subject)
    last = shifts[-1]
    parts = [
        t("{subject}: {counts}, {rate} together (dashed).",
          subject=subject, counts=_counts(chart), rate=words.rate(chart.limits.rate)),
        t("Newest shift, {shift}: {failures} in {cycles}; a steady rate allows {lower} to {upper}.",
          shift=last.shift, failures=last.failures, cycles=last.cycles,
          lower=int(chart.limits.lower[-1]), upper=int(chart.limits.upper[-1])),
        t("Bars: exact intervals at {confidence} confidence; dotted: what a steady rate allows a "
          "shift of that size, with a false alarm in at most {tail} of shifts on each side.",
          confidence=words.chance(confidence), tail=words.rate_up(chart.limits.tail)),
    ]  # fmt: skip
    if first:
        parts.append(t("Shown: the newest {shown} of {all} shifts.",
                       shown=len(shifts) - first, all=len(shifts)))  # fmt: skip
    return " ".join(parts)


def _table(
    shifts: Sequence[CountedShift],
    chart: ControlChart,
    bounds: RateBoundsArray,
    confidence: float,
    first: int,
) -> Table:
    limits = chart.limits
    said = dict.fromkeys(chart.low, t("fewer")) | dict.fromkeys(chart.high, t("more"))
    said_of = t("interval ({confidence})", confidence=words.chance(confidence))
    return Table(
        name="failures-by-shift",
        caption=t("Failures by shift, and how many a steady rate allows"),
        columns=(
            Column("shift", t("shift")),
            Column("cycles", t("counted cycles"), "count"),
            Column("failures", t("relevant failures"), "count"),
            Column("rate", t("rate"), "rate"),
            Column("lower", t("{interval}, from", interval=said_of), "rate_down"),
            Column("upper", t("{interval}, to", interval=said_of), "rate_up"),
            Column("fewest", t("allowed, from"), "count"),
            Column("most", t("allowed, to"), "count"),
            Column("signal", t("beyond the limits"), missing=t("no")),
        ),
        rows=()
        if limits is None
        else tuple(
            (
                one.shift, one.cycles, one.failures, float(bounds.estimate[at - first]),
                float(bounds.lower[at - first]), float(bounds.upper[at - first]),
                int(limits.lower[at]), int(limits.upper[at]), said.get(at),
            )
            for at, one in enumerate(shifts)
            if at >= first
        ),
        empty=t("No shift has a counted cycle yet."),
    )  # fmt: skip
