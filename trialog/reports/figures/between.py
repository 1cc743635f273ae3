"""How many cycles went by from one failure to the next, and what a steady rate makes of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trialog.evidence.course import thinned
from trialog.languages import t
from trialog.reliability import BetweenChart, BetweenLimits, cycles_between_failures
from trialog.reports import words
from trialog.reports.figures.chart import (
    BAND,
    LINE,
    MARK,
    NO_GO_COLOUR,
    Chart,
    axis,
    frame,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.figures.staircase import Step
from trialog.reports.tables import Column, Table

MOST_MARKS = 1_000
"""Marks drawn, and a quarter more of those beyond a limit."""

MOST_ROWS = 500
"""Failures in the table: the newest."""


@dataclass(frozen=True)
class _Gap:
    """The cycles from one failure to the next, that one included: never 0, so a logarithm."""

    number: int
    cycle: int
    cycles: int
    exact: bool
    signal: str


def between_failures(steps: Sequence[Step], cycles: int, *, subject: str) -> Chart:
    """Draw the cycles between a trial's failures against exact limits for its own rate."""
    chart = cycles_between_failures([step.cycle for step in steps], cycles)
    gaps = _gaps(steps, chart)
    figure = Figure()
    if chart.limits is not None:
        _add_limits(figure, chart.limits, len(gaps))
        _add_gaps(figure, gaps)
        _add_open(figure, chart.since, len(gaps))
    frame(
        figure,
        xaxis=axis(
            t("failure"), range=[0.4, _end(len(gaps))], tickformat=",d",
            **({"dtick": 1} if len(gaps) < 12 else {"nticks": 8}),
        ),
        yaxis=axis(
            t("cycles since the one before"), type="log", tickformat=",d", dtick=1,
            minor={"dtick": "D1", "showgrid": False},
        ),
        margin={"l": 90, "r": 20, "t": 12, "b": 64},
    )  # fmt: skip
    return Chart(
        name="cycles-between-failures",
        title=_title(chart, cycles),
        summary=_summary(chart, gaps, cycles, subject),
        tables=(_table(gaps),),
        figure=figure,
    )


def _gaps(steps: Sequence[Step], chart: BetweenChart) -> list[_Gap]:
    said = dict.fromkeys(chart.short, t("sooner")) | dict.fromkeys(chart.long, t("later"))
    return [
        _Gap(step.failures, step.cycle, good + 1, step.exact, said.get(step.cycle, ""))
        for step, good in zip(steps, chart.between, strict=True)
    ]


def _end(failures: int) -> float:
    """Return the end of the axis: there is room for what goes on since the last failure."""
    return failures + max(1.6, failures * 0.03)


def _add_limits(figure: Figure, limits: BetweenLimits, failures: int) -> None:
    ends = [0.4, _end(failures)]
    # A lower limit of 0 good cycles is one that nothing breaks; it lies on the axis' first cycle.
    for name, height, style in (
        ("lower limit", limits.lower + 1, {"dash": "dot", "width": 1.5}),
        ("upper limit", limits.upper + 1, {"dash": "dot", "width": 1.5}),
        ("mean", limits.mean + 1, {"dash": "dash", "width": 2}),
    ):
        figure.add_scatter(
            name=name, x=ends, y=[height] * 2, mode="lines", line={"color": LINE} | style,
            hoverinfo="skip",
            **({"fill": "tonexty", "fillcolor": BAND} if name == "upper limit" else {}),
        )  # fmt: skip


def _add_gaps(figure: Figure, gaps: Sequence[_Gap]) -> None:
    """Draw the marks; those beyond a limit are drawn however many points there are."""
    signals = [gap for gap in gaps if gap.signal]
    kept = {place: gaps[place] for place in thinned(len(gaps), MOST_MARKS)}
    kept |= {signals[place].number - 1: signals[place]
             for place in thinned(len(signals), MOST_MARKS // 4)}  # fmt: skip
    shown = [gap for _, gap in sorted(kept.items())]
    figure.add_scatter(
        name="failure",
        x=[gap.number for gap in shown],
        y=[gap.cycles for gap in shown],
        mode="markers" if len(shown) > 200 else "lines+markers",
        line={"color": LINE, "width": 1},
        marker={
            "size": [13 if gap.signal else 9 for gap in shown],
            "symbol": [_symbol(gap) for gap in shown],
            "color": [NO_GO_COLOUR if gap.signal else MARK for gap in shown],
            "line": {"width": 2},
        },
        text=[_words(gap) for gap in shown],
        hoverinfo="text",
    )


def _symbol(gap: _Gap) -> str:
    return ("diamond" if gap.signal else "circle") + ("" if gap.exact else "-open")


def _add_open(figure: Figure, since: int, failures: int) -> None:
    """Draw the cycles since the last failure: so many, and counting."""
    if since == 0:
        return
    figure.add_scatter(
        name="since the last failure",
        x=[failures + 1],
        y=[since],
        mode="markers",
        marker={"symbol": "triangle-up-open", "size": 13, "color": MARK, "line": {"width": 2}},
        text=[t("{cycles} since the last failure, and counting",
                cycles=words.counted(since, "cycle"))],
        hoverinfo="text",
    )  # fmt: skip


def _words(gap: _Gap) -> str:
    said = t(
        "failure {number} at cycle {cycle}: {cycles} since the one before",
        number=gap.number,
        cycle=gap.cycle,
        cycles=words.counted(gap.cycles, "cycle"),
    )
    unsure = t("its place in the shift is not known")
    return said if gap.exact else f"{said} ({unsure})"


def _title(chart: BetweenChart, cycles: int) -> str:
    failures = len(chart.between)
    counted = words.counted(cycles, "counted cycle")
    if not failures:
        return (
            t("No relevant failure in {cycles}", cycles=counted)
            if cycles
            else t("No cycle counted yet")
        )
    if failures == 1:
        return t("One relevant failure in {cycles}: nothing between failures yet", cycles=counted)
    parts = []
    if chart.short:
        parts.append(t("sooner than a steady rate makes likely: {failures}",
                       failures=words.counted(len(chart.short), "failure")))  # fmt: skip
    if chart.long:
        parts.append(t("later than a steady rate makes likely: {failures}",
                       failures=words.counted(len(chart.long), "failure")))  # fmt: skip
    if parts:
        said = "; ".join(parts)
        return said[:1].upper() + said[1:]
    return t("No failure came sooner or later than a steady rate makes likely")


def _summary(chart: BetweenChart, gaps: Sequence[_Gap], cycles: int, subject: str) -> str:
    limits = chart.limits
    if limits is None:
        return t("{subject}: {cycles} without a relevant failure.", subject=subject,
                 cycles=words.counted(cycles, "counted cycle"))  # fmt: skip
    parts = [
        _first_words(chart, gaps, cycles, subject),
        t("Dashed: the mean, {mean}; dotted: {lower} and {upper}, which a steady rate breaks by "
          "chance at no more than {tail} of failures on each side.",
          mean=round(limits.mean + 1), lower=limits.lower + 1, upper=limits.upper + 1,
          tail=words.rate_up(limits.tail)),
    ]  # fmt: skip
    unsure = sum(not gap.exact for gap in gaps)
    if unsure:
        parts.append(t("Hollow: {failures} whose place in the shift is not known.",
                       failures=words.counted(unsure, "failure")))  # fmt: skip
    return " ".join(parts)


def _first_words(chart: BetweenChart, gaps: Sequence[_Gap], cycles: int, subject: str) -> str:
    lengths = [gap.cycles for gap in gaps]
    counts = t("{failures} in {cycles}", failures=words.counted(len(gaps), "relevant failure"),
               cycles=words.counted(cycles, "counted cycle"))  # fmt: skip
    if len(gaps) == 1:
        return t("{subject}: {counts}, at cycle {cycle}; {since} since (triangle).",
                 subject=subject, counts=counts, cycle=lengths[0], since=chart.since)  # fmt: skip
    return t(
        "{subject}: {counts}; from {least} to {most} cycles from one to the next, {since} since "
        "the last (triangle).",
        subject=subject,
        counts=counts,
        least=min(lengths),
        most=max(lengths),
        since=chart.since,
    )


def _table(gaps: Sequence[_Gap]) -> Table:
    left_out = max(len(gaps) - MOST_ROWS, 0)
    caption = t("Cycles from one failure to the next")
    if left_out:
        caption = t("Cycles from one failure to the next, the newest {shown} of {all}",
                    shown=MOST_ROWS, all=len(gaps))  # fmt: skip
    return Table(
        name="cycles-between-failures",
        caption=caption,
        columns=(
            Column("failure", t("failure"), "count"),
            Column("cycle", t("counted cycle"), "count"),
            Column("since", t("cycles since the one before"), "count"),
            Column("place", t("position")),
            Column("signal", t("beyond the limits"), missing=t("no")),
        ),
        rows=tuple(
            (
                gap.number, gap.cycle, gap.cycles,
                t("exact") if gap.exact else t("end of shift"), gap.signal or None,
            )
            for gap in gaps[left_out:]
        ),
        empty=t("No relevant failure so far."),
    )  # fmt: skip
