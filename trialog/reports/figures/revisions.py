"""The failure rate under each revision, with how high it may be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import plotly.graph_objects as go

from trialog.languages import t
from trialog.reports import words
from trialog.reports.figures.chart import LINE, MARK, NO_GO_COLOUR, Chart, axis, frame, label
from trialog.reports.tables import Column, Table

LONGEST_NAME = 24
"""Characters of a revision under the axis; the table has it whole."""


class Rate(NamedTuple):
    """What was counted under a revision. `upper`: one-sided bound on the rate per cycle."""

    what: str
    cycles: int
    failures: int
    upper: float


def rates_by_revision(rates: Sequence[Rate], limit: float, confidence: float) -> Chart:
    """Draw the rate under each revision that saw cycles, up to its bound, beside the limit.

    At least one; in percent of the cycles.
    """
    estimates = [100 * one.failures / one.cycles for one in rates]
    bounds = [100 * one.upper for one in rates]
    places = list(range(len(rates)))
    figure = go.Figure()
    figure.add_scatter(
        x=places,
        y=estimates,
        mode="markers",
        marker={"size": 11, "color": MARK},
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [bound - rate for bound, rate in zip(bounds, estimates, strict=True)],
            "arrayminus": [0] * len(rates),
            "color": LINE,
            "thickness": 2,
            "width": 10,
        },
        text=[_words(one) for one in rates],
        hoverinfo="text",
    )
    figure.add_hline(y=100 * limit, line={"color": NO_GO_COLOUR, "width": 2, "dash": "dash"})
    label(figure, "limit", NO_GO_COLOUR, x=1, xref="paper", xanchor="right", y=100 * limit,
          yanchor="bottom")  # fmt: skip
    frame(
        figure,
        xaxis=axis(
            "", tickvals=places, ticktext=[_short(one.what) for one in rates],
            range=[-0.6, len(rates) - 0.4],
        ),
        yaxis=axis("failed, % of cycles", rangemode="tozero"),
    )  # fmt: skip
    return Chart(
        name="rates-by-revision",
        title="Failure rate under each revision",
        summary=_summary(rates, limit, confidence),
        tables=(
            Table(
                name="rates-by-revision",
                caption=t(
                    "Rates, with bounds at {confidence} confidence",
                    confidence=words.chance(confidence),
                ),
                columns=(
                    Column("revision", t("revision")),
                    Column("cycles", t("cycles"), "count"),
                    Column("failures", t("relevant failures"), "count"),
                    Column("estimate", t("rate"), "rate"),
                    Column("upper", t("at most"), "rate_up"),
                ),
                rows=tuple(
                    (one.what, one.cycles, one.failures, one.failures / one.cycles, one.upper)
                    for one in rates
                ),
            ),
        ),
        figure=figure,
    )


def _short(what: str) -> str:
    """Return a revision's words cut short; the chart library takes markup in them for its own."""
    cut = what if len(what) <= LONGEST_NAME else f"{what[: LONGEST_NAME - 1].rstrip()}…"
    return cut.replace("&", "&amp;").replace("<", "&lt;")


def _words(one: Rate) -> str:
    counts = f"{one.failures:,} of {one.cycles:,}"
    return f"{_short(one.what)}: {counts}, at most {words.rate_up(one.upper)}"


def _summary(rates: Sequence[Rate], limit: float, confidence: float) -> str:
    last = rates[-1]
    return (
        f"Dots: the rate; bars: up to the bound at {words.chance(confidence)} confidence. Since "
        f"the last revision with cycles: {last.failures:,} of {last.cycles:,}, at most "
        f"{words.rate_up(last.upper)}; the limit is {words.rate_down(limit)}."
    )
