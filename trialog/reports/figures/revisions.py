"""The failure rate under each revision, with how high it may be."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from trialog.languages import t
from trialog.reports import words
from trialog.reports.figures.chart import (
    LINE,
    MARK,
    NO_GO_COLOUR,
    Chart,
    axis,
    frame,
    label,
    plain_text,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table


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
    figure = Figure()
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
    figure.add_level(y=100 * limit, line={"color": NO_GO_COLOUR, "width": 2, "dash": "dash"})
    label(figure, t("limit"), NO_GO_COLOUR, x=1, xref="paper", xanchor="right", y=100 * limit,
          yanchor="bottom")  # fmt: skip
    frame(
        figure,
        xaxis=axis(
            "", tickvals=places, ticktext=[plain_text(one.what) for one in rates],
            range=[-0.6, len(rates) - 0.4], automargin=True,
        ),
        yaxis=axis(t("failed, % of cycles"), rangemode="tozero"),
    )  # fmt: skip
    return Chart(
        name="rates-by-revision",
        title=_title(rates),
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


def _words(one: Rate) -> str:
    return t("{what}: {counts}, at most {upper}", what=plain_text(one.what), counts=_counts(one),
             upper=words.rate_up(one.upper))  # fmt: skip


def _counts(one: Rate) -> str:
    return t("{failures} of {cycles}", failures=one.failures, cycles=one.cycles)


def _title(rates: Sequence[Rate]) -> str:
    """Say both counts beside each other; whether that is more than chance, the text says."""
    last = rates[-1]
    if len(rates) == 1:
        return t("{counts} failed, under one revision", counts=_counts(last))
    return t("{counts} failed since the last change, {before} before it",
             counts=_counts(last), before=_counts(rates[-2]))  # fmt: skip


def _summary(rates: Sequence[Rate], limit: float, confidence: float) -> str:
    last = rates[-1]
    return t(
        "Dots: the rate; bars: up to the bound at {confidence} confidence. Since the last revision "
        "with cycles: {counts}, at most {upper}; the limit is {limit}.",
        confidence=words.chance(confidence),
        counts=_counts(last),
        upper=words.rate_up(last.upper),
        limit=words.rate_down(limit),
    )
