"""What plans are chosen by: the chance of passing, and how long the decision takes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialog.languages import t
from trialog.reliability import PlanChoice
from trialog.reliability.choices import Kind
from trialog.reports import words
from trialog.reports.figures.chart import (
    GO_COLOUR,
    GRID,
    LINE,
    MARK,
    NO_GO_COLOUR,
    TEXT,
    Chart,
    axis,
    frame,
    label,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table

POINTS = 121
"""Rates at which a chance is worked out: one for every few pixels."""

AROUND = 5
"""How far the picture goes below the design rate and above the limit, as a factor."""

CLOSE = 3
"""Below this many times between the two rates a word does not fit in."""

TABLE_ROWS = 9

STYLES: dict[Kind, dict[str, Any]] = {
    "zero-failure": {"color": "var(--chart-zero)", "dash": "dot"},
    "fixed-size": {"color": "var(--chart-fixed)", "dash": "dash"},
    "sequential": {"color": LINE, "dash": "solid"},
}
"""Each plan has its colour and its kind of line, so that grey tells them apart too."""


@dataclass(frozen=True)
class Span:
    """Cycles until GO or NO-GO: so many for one in ten, half and nine in ten of all trials."""

    kind: Kind
    at: str
    rate: float
    tenth: int
    half: int
    nine_tenths: int
    mean: float


def chances_of_passing(choices: Sequence[PlanChoice], limit: float, design: float) -> Chart:
    """Draw each plan's chance of GO against the true failure rate."""
    rates = _rates(limit, design)
    chances = {choice.kind: choice.plan.pass_chance(rates) for choice in choices}
    figure = Figure()
    for kind, passing in chances.items():
        figure.add_scatter(
            name=t(kind),
            x=rates.tolist(),
            y=(100 * passing).tolist(),
            mode="lines",
            line={"width": 3} | STYLES[kind],
            hovertemplate=t("{kind}: {chance} pass", kind=t(kind), chance="%{y:.3~g} %")
            + "<extra></extra>",
        )
    close = limit / design < CLOSE
    _mark_rate(figure, "design rate", design, GO_COLOUR, "right" if close else "left")
    _mark_rate(figure, "limit", limit, NO_GO_COLOUR, "left")
    decades = list(_decades(rates[0], rates[-1]))
    frame(
        figure,
        showlegend=True,
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        margin={"l": 70, "r": 20, "t": 44, "b": 72},
        xaxis=axis(
            t("true failure rate"),
            type="log",
            range=[math.log10(rates[0]), math.log10(rates[-1])],
            tickvals=decades,
            ticktext=[_rarity(rate) for rate in decades],
            tickangle=0,
            minor={"dtick": "D1", "gridcolor": GRID, "gridwidth": 0.5},
        ),
        yaxis=axis(t("chance of GO"), range=[0, 103], ticksuffix=" %"),
    )
    return Chart(
        name="chances",
        title=_chances_title(choices),
        summary=_chances_summary(limit, design),
        tables=(_chances_table(choices, rates, chances),),
        figure=figure,
    )


def _rates(limit: float, design: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return the rates of the picture; design rate and limit are among them exactly."""
    low, high = design / AROUND, min(limit * AROUND, 1.0)
    return np.unique([*np.geomspace(low, high, POINTS), design, limit])


def _decades(low: float, high: float) -> Iterator[float]:
    for power in range(math.ceil(math.log10(low)), math.floor(math.log10(high)) + 1):
        yield float(f"1e{power}")


def _rarity(rate: float) -> str:
    """Say a rate as short as an axis wants it."""
    return words.one_in(rate).removesuffix(" cycles").replace("1 in ", "1 in<br>")


def _mark_rate(figure: Figure, text: str, rate: float, colour: str, anchor: str) -> None:
    figure.add_line(x0=rate, x1=rate, y0=0, y1=103,
        line={"color": colour, "width": 2, "dash": "longdash" if text == "limit" else "dashdot"},
    )  # fmt: skip
    good = text == "design rate"
    label(
        figure, t(text), colour, x=math.log10(rate), y=2 if good else 102,
        yanchor="bottom" if good else "top", xanchor=anchor, xshift=5 if anchor == "left" else -5,
    )  # fmt: skip


def passes(chance: float) -> str:
    """Say a good device's chance of passing; never as a larger one than it is."""
    return words.rate_down(chance, 3)


def _chances_title(choices: Sequence[PlanChoice]) -> str:
    worst = max(choice.pass_chance_at_limit for choice in choices)
    good = [f"{passes(choice.pass_chance_at_design)} ({t(choice.kind)})" for choice in choices]
    return t(
        "At the limit no plan passes more than {worst}; at the design rate they pass {good}",
        worst=words.rate_up(worst),
        good=words.listed(good),
    )


def _chances_summary(limit: float, design: float) -> str:
    return t(
        "Chance of GO against the true failure rate, for the design rate of {design} "
        "({design_in}) and the limit of {limit} ({limit_in}). Between the two, a plan passes some "
        "and stops others.",
        design=words.rate(design),
        design_in=words.one_in(design),
        limit=words.rate_down(limit),
        limit_in=words.one_in(limit),
    )


def _chances_table(
    choices: Sequence[PlanChoice],
    rates: np.ndarray[Any, np.dtype[np.float64]],
    chances: dict[Kind, np.ndarray[Any, np.dtype[np.float64]]],
) -> Table:
    design, limit = choices[0].plan.design, choices[0].plan.limit
    named = {design: "design rate", limit: "limit"}
    even = np.linspace(0, len(rates) - 1, TABLE_ROWS).round().astype(int)
    shown = sorted({*even.tolist(), *(int(np.flatnonzero(rates == rate)[0]) for rate in named)})
    rows = [
        (
            words.one_in(float(rates[at])),
            float(rates[at]),
            named.get(float(rates[at])),
            *(float(passing[at]) for passing in chances.values()),
        )
        for at in shown
    ]
    return Table(
        name="chances",
        caption=t("Chance of GO"),
        columns=(
            Column("one_in", t("true failure rate")),
            Column("rate", t("failures per cycle"), "rate"),
            Column("which", t("which"), missing=""),
            *(Column(kind.replace("-", "_"), t(kind), "share") for kind in chances),
        ),
        rows=tuple(rows),
    )


def spans_of(choices: Sequence[PlanChoice]) -> tuple[Span, ...]:
    """Work out how many cycles each plan takes, for a good device and for one at the limit."""
    return tuple(
        Span(
            kind=choice.kind,
            at=at,
            rate=rate,
            tenth=choice.plan.cycles_quantile(rate, 0.1),
            half=choice.plan.cycles_quantile(rate, 0.5),
            nine_tenths=choice.plan.cycles_quantile(rate, 0.9),
            mean=mean,
        )
        for choice in choices
        for at, rate, mean in (
            ("design rate", choice.plan.design or 0.0, choice.expected_cycles_at_design),
            ("limit", choice.plan.limit, choice.expected_cycles_at_limit),
        )
    )


def times_to_decide(spans: Sequence[Span], shifts: dict[int, int], best: Kind) -> Chart:
    """Draw how many cycles it takes until GO or NO-GO.

    `shifts` says for each number of cycles in the spans how many shifts hold it; `best` is the
    plan that the title speaks of.
    """
    figure = Figure()
    rows = range(len(spans))
    for row, span in zip(reversed(rows), spans, strict=True):
        _add_span(figure, span, row, shifts)
    frame(
        figure,
        margin={"l": 24, "r": 24, "t": 12, "b": 64},
        xaxis=axis(
            t("cycles until GO or NO-GO"),
            range=[0, max(span.nine_tenths for span in spans) * 1.06],
            tickformat=",d",
            tickangle=0,
            nticks=4,
        ),
        yaxis=axis(
            "", range=[-0.5, len(rows) - 0.35], showticklabels=False, ticks="", showgrid=False
        ),
    )
    return Chart(
        name="times",
        title=_times_title(next(s for s in spans if s.kind == best), shifts),
        summary=(
            t(
                "Each line reaches from the cycles within which one in ten trials is decided to "
                "those within which nine in ten are; the large mark is the half. Discs: at the "
                "design rate. Squares and dotted lines: at the limit."
            )
        ),
        tables=(_times_table(spans, shifts),),
        figure=figure,
    )


def _add_span(figure: Figure, span: Span, row: int, shifts: dict[int, int]) -> None:
    good = span.at == "design rate"
    cycles = [span.tenth, span.half, span.nine_tenths]
    figure.add_scatter(
        name=f"{span.kind}, {span.at}",
        x=cycles,
        y=[row] * 3,
        text=[
            t(
                "{share} decided within {cycles} cycles, {shifts}",
                share=share,
                cycles=at,
                shifts=words.counted(shifts[at], "shift"),
            )
            for share, at in zip((t("1 in 10"), t("half"), t("9 in 10")), cycles, strict=True)
        ],
        mode="lines+markers",
        line={"color": LINE if good else TEXT, "width": 4, "dash": "solid" if good else "dot"},
        marker={
            "symbol": ["line-ns", "circle" if good else "square", "line-ns"],
            "size": [12, 15, 12],
            "opacity": 1,
            "color": LINE if good else MARK,
            "line": {"width": [3, 0, 3], "color": LINE if good else MARK},
        },
        hovertemplate="%{text}<extra></extra>",
    )
    label(
        figure, t("{kind}, at the {rate}", kind=t(span.kind), rate=t(span.at)), TEXT, x=0, y=row,
        xanchor="left", yanchor="bottom", xshift=6, yshift=7, font={"size": 13, "color": TEXT},
    )  # fmt: skip


def _times_title(span: Span, shifts: dict[int, int]) -> str:
    half, most = ((at, shifts[at]) for at in (span.half, span.nine_tenths))
    return t(
        "The {kind} plan decides on half of those at the design rate within {half} cycles "
        "({half_shifts}), on nine in ten within {most} ({most_shifts})",
        kind=t(span.kind),
        half=half[0],
        half_shifts=words.counted(half[1], "shift"),
        most=most[0],
        most_shifts=words.counted(most[1], "shift"),
    )


def _times_table(spans: Sequence[Span], shifts: dict[int, int]) -> Table:
    shares = (("tenth", t("1 in 10 within")), ("half", t("half within")),
              ("nine_tenths", t("9 in 10 within")))  # fmt: skip
    within = [
        column
        for key, heading in shares
        for column in (
            Column(key, heading, "count", t("cycles")),
            Column(f"{key}_shifts", heading, "count", t("shifts")),
        )
    ]
    return Table(
        name="times",
        caption=t("Cycles until GO or NO-GO"),
        columns=(
            Column("plan", t("plan, true rate")),
            *within,
            Column("mean", t("mean"), "count", t("cycles")),
        ),
        rows=tuple(
            (
                f"{t(span.kind)}, {t(span.at)}",
                *(
                    value
                    for cycles in (span.tenth, span.half, span.nine_tenths)
                    for value in (cycles, shifts[cycles])
                ),
                math.ceil(span.mean),
            )
            for span in spans
        ),
    )
