"""The stretch that was proven after each shift, beside the one that is required."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Any

from trialog.evidence.course import Proven
from trialog.languages import t
from trialog.reports import words
from trialog.reports.figures.chart import (
    GO_COLOUR,
    KEEP_COLOUR,
    LINE,
    NO_GO_COLOUR,
    Chart,
    axis,
    frame,
    label,
    plain_text,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table

HOUR = 3600
SHORT_STRETCH = 2 * HOUR
"""Below this the axis counts minutes."""

FEW_DAYS = timedelta(days=4)


def proven_over_time(
    course: Sequence[Proven], required_seconds: float, *, clock: tzinfo, now: datetime
) -> Chart:
    """Draw what was proven after each shift; an open shift stands at `now`."""
    longest = max([required_seconds, *(one.seconds or 0 for one in course)])
    unit, name = (HOUR, t("hours")) if longest >= SHORT_STRETCH else (60, t("minutes"))
    figure = Figure()
    moments = [(one.closed_at or now).astimezone(clock).replace(tzinfo=None) for one in course]
    if course:
        _add_course(figure, course, moments, required_seconds, unit)
    figure.add_level(
        y=required_seconds / unit, line={"color": NO_GO_COLOUR, "width": 2, "dash": "dash"}
    )
    label(figure, t("required"), NO_GO_COLOUR, x=0, xref="paper", xanchor="left", xshift=6,
          y=required_seconds / unit, yanchor="bottom")  # fmt: skip
    frame(
        figure,
        xaxis=axis(t("when the shift closed"), **_days(moments)),
        yaxis=axis(
            t("proven stretch, {unit}", unit=name), range=[0, 1.15 * longest / unit],
        ),
        margin={"l": 70, "r": 20, "t": 12, "b": 84},
    )  # fmt: skip
    return Chart(
        name="proven-stretch",
        title=_title(course, required_seconds),
        summary=_summary(course, required_seconds),
        tables=(_table(course),),
        figure=figure,
    )


def _add_course(
    figure: Figure,
    course: Sequence[Proven],
    moments: Sequence[datetime],
    required: float,
    unit: int,
) -> None:
    reached = [one.seconds is None or one.seconds >= required for one in course]
    figure.add_scatter(
        name="proven",
        x=[moment.isoformat(timespec="minutes") for moment in moments],
        y=[None if one.seconds is None else one.seconds / unit for one in course],
        mode="lines+markers",
        line={"color": LINE, "width": 3, "shape": "hv"},
        marker={
            "size": 10,
            "symbol": ["circle" if yes else "square-open" for yes in reached],
            "color": [GO_COLOUR if yes else KEEP_COLOUR for yes in reached],
            "line": {"width": 2},
        },
        text=[f"{plain_text(one.shift)}: {_stretch(one)}, {_counts(one)}" for one in course],
        hoverinfo="text",
    )


def _days(moments: Sequence[datetime]) -> dict[str, Any]:
    """Return the axis of time. Dates are told in numbers, which every language reads."""
    if not moments:
        return {"showticklabels": False, "ticks": "", "showgrid": False}
    span = moments[-1] - moments[0]
    edge = max(span / 20, timedelta(hours=6))
    ends = [moment.isoformat(timespec="minutes")
            for moment in (moments[0] - edge, moments[-1] + edge)]  # fmt: skip
    form = "%m-%d<br>%H:%M" if span < FEW_DAYS else "%m-%d<br>%Y"
    return {"type": "date", "range": ends, "tickformat": form, "nticks": 5, "tickangle": 0}


def _stretch(one: Proven) -> str:
    return t("no limit") if one.seconds is None else words.stretch(one.seconds)


def _counts(one: Proven) -> str:
    return t(
        "{failures} in {cycles}",
        failures=words.counted(one.failures, "relevant failure"),
        cycles=words.counted(one.cycles, "counted cycle"),
    )


def _title(course: Sequence[Proven], required: float) -> str:
    if not course:
        return t("Nothing is proven yet: no cycle counted")
    last, asked = course[-1], words.length(required)
    if last.seconds is not None and last.seconds < required:
        proven = _stretch(last)
        return t(
            "{proven} proven of the {required} required",
            proven=proven[:1].upper() + proven[1:],
            required=asked,
        )
    since = len(course)
    while since and ((before := course[since - 1].seconds) is None or before >= required):
        since -= 1
    return t(
        "The proven stretch has reached the {required} required since shift {shift}",
        required=asked,
        shift=course[since].shift,
    )


def _summary(course: Sequence[Proven], required: float) -> str:
    asked = t("Required: {required}.", required=words.length(required))
    if not course:
        return asked
    first, last = course[0], course[-1]
    said = t("After shift {shift}: {proven}, from {counts}.",
             shift=last.shift, proven=_stretch(last), counts=_counts(last))  # fmt: skip
    if len(course) == 1:
        return f"{said} {asked}"
    begun = t("After shift {shift}: {proven}.", shift=first.shift, proven=_stretch(first))
    return f"{begun} {said} {asked}"


def _table(course: Sequence[Proven]) -> Table:
    return Table(
        name="proven-stretch",
        caption=t("Proven after each shift, since the evidence began"),
        columns=(
            Column("shift", t("shift")),
            Column("closed_at", t("closed"), "moment", missing=t("still open")),
            Column("cycles", t("counted cycles so far"), "count"),
            Column("failures", t("relevant failures so far"), "count"),
            Column("upper", t("failure rate, at most"), "rate_up"),
            Column("proven_seconds", t("proven stretch"), "stretch", missing=t("no limit")),
        ),
        rows=tuple(
            (one.shift, one.closed_at, one.cycles, one.failures, one.upper, one.seconds)
            for one in course
        ),
        empty=t("No shift has a counted cycle yet."),
    )
