"""Within which time stops are cleared: which share of them, the mean, and 9 in 10."""

from __future__ import annotations

from collections.abc import Sequence

from trialog.evidence.course import thinned
from trialog.evidence.interruptions import Interruptions
from trialog.languages import t
from trialog.reliability import Within, values_within
from trialog.reports import words
from trialog.reports.figures.chart import (
    KEEP_COLOUR,
    LINE,
    MARK,
    NO_GO_COLOUR,
    Chart,
    axis,
    frame,
    label,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table

MOST_STEPS = 300
"""Steps of the line, and rows of the table: evenly spread, the first and the last among them."""

MOST_DOTS = 60
"""With more steps the dots would hide the line."""

LONG = 180
"""Seconds from which on the axis counts minutes."""


def clear_times(found: Interruptions) -> Chart:
    """Draw which share of the stops was cleared within which time."""
    within = values_within(found.clear_seconds)
    longest = float(within.values[-1]) if within.values.size else 0.0
    unit, name = (60, t("minutes")) if longest >= LONG else (1, t("seconds"))
    kept = list(thinned(within.values.size, MOST_STEPS))
    figure = Figure()
    if kept:
        _add_steps(figure, within, kept, unit)
        _add_marks(figure, found, unit)
    frame(
        figure,
        xaxis=axis(t("cleared within, {unit}", unit=name),
                   range=[0, 1.08 * max(longest, 1) / unit], nticks=7),
        yaxis=axis(t("share of the stops"), range=[0, 104], ticksuffix=" %"),
    )  # fmt: skip
    return Chart(
        name="clear-times",
        title=_title(found),
        summary=_summary(found),
        tables=(_table(within, kept),),
        figure=figure,
    )


def _add_steps(figure: Figure, within: Within, kept: Sequence[int], unit: int) -> None:
    times = [float(within.values[at]) for at in kept]
    shares = [100 * float(within.shares[at]) for at in kept]
    figure.add_scatter(
        name="cleared",
        x=[0, *(one / unit for one in times)],
        y=[0, *shares],
        mode="lines+markers" if len(times) <= MOST_DOTS else "lines",
        line={"shape": "hv", "color": LINE, "width": 3},
        marker={"size": [0.1, *([8] * len(times))], "color": MARK},
        text=["", *(
            t("{share} within {time}", share=words.in_hundred(share / 100), time=words.length(one))
            for one, share in zip(times, shares, strict=True)
        )],
        hoverinfo="text",
    )  # fmt: skip


def _add_marks(figure: Figure, found: Interruptions, unit: int) -> None:
    for text, seconds, colour, dash, height in (
        (t("mean"), found.mean.estimate, KEEP_COLOUR, "dash", 8),
        (t("9 in 10"), found.percentile.estimate, NO_GO_COLOUR, "dot", 22),
    ):
        at = (seconds or 0) / unit
        figure.add_line(x0=at, x1=at, y0=0, y1=104,
                         line={"color": colour, "width": 2, "dash": dash})  # fmt: skip
        # Right of its line and low there is room below the curve; at the end of the axis is none.
        late = (seconds or 0) > max(found.clear_seconds) * 0.8
        label(figure, text, colour, x=at, y=height, xanchor="right" if late else "left",
              xshift=-5 if late else 5)  # fmt: skip


def _title(found: Interruptions) -> str:
    timed, percentile = len(found.clear_seconds), found.percentile.estimate
    if not found.rate.stops:
        return t("No stop was logged")
    if not timed or percentile is None:
        return t("{stops}, none with a clear time", stops=words.counted(found.rate.stops, "stop"))
    if timed == 1:
        return t("One stop was timed: cleared in {time}", time=words.length(percentile))
    return t("9 of 10 stops were cleared within {time}", time=words.length(percentile))


def _summary(found: Interruptions) -> str:
    mean, percentile = found.mean, found.percentile
    if mean.estimate is None or percentile.estimate is None:
        return t("Nothing is known of how long clearing takes.")
    parts = [
        t("{timed} of {stops} timed, from {least} to {most}.", timed=mean.count,
          stops=words.counted(found.rate.stops, "stop"),
          least=words.length(min(found.clear_seconds)),
          most=words.length(max(found.clear_seconds))),
        t("Mean (dashed): {mean}, {lower} to {upper} at {confidence} confidence.",
          mean=words.length(mean.estimate), lower=words.length(mean.lower),
          upper=words.length(mean.upper), confidence=words.chance(mean.confidence)),
    ]  # fmt: skip
    nine = words.length(percentile.estimate)
    if percentile.upper is None:
        parts.append(t("9 in 10 (dotted): within {time}; too few were timed for an upper bound.",
                       time=nine))  # fmt: skip
    else:
        parts.append(t("9 in 10 (dotted): within {time}, at most {upper}.",
                       time=nine, upper=words.length(percentile.upper)))  # fmt: skip
    return " ".join(parts)


def _table(within: Within, kept: Sequence[int]) -> Table:
    return Table(
        name="clear-times",
        caption=t("Stops cleared within a time"),
        columns=(
            Column("seconds", t("cleared within"), "length"),
            Column("stops", t("stops"), "count"),
            Column("share", t("share"), "share"),
        ),
        rows=tuple(
            (float(within.values[at]), int(within.counts[at]), float(within.shares[at]))
            for at in kept
        ),
        empty=t("No stop was timed."),
    )
