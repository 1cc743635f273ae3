"""What the tool said of a trial, over the cycles that it knew of then."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from typing import NamedTuple

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
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table

HEIGHT = 230
LEVELS = ("NO-GO", "KEEP RUNNING", "GO")
COLOURS = {"NO-GO": NO_GO_COLOUR, "KEEP RUNNING": KEEP_COLOUR, "GO": GO_COLOUR}
SHAPES = {"NO-GO": "square", "KEEP RUNNING": "diamond", "GO": "circle"}


class Said(NamedTuple):
    """A verdict, and after how many counted cycles with how many relevant failures.

    `when` in words; `at` is None for what is said now.
    """

    when: str
    verdict: str
    cycles: int
    failures: int
    at: datetime | None = None


def decisions_over_cycles(said: Sequence[Said]) -> Chart:
    """Draw what was said of a trial, oldest first, the last as it stands now.

    Where the evidence began anew the cycles start from 0 again, and so does the line.
    """
    figure = Figure()
    figure.add_scatter(
        x=_broken([one.cycles for one in said], said),
        y=_broken([LEVELS.index(one.verdict) for one in said], said),
        mode="lines",
        line={"color": LINE, "width": 2, "shape": "hv"},
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=[one.cycles for one in said],
        y=[LEVELS.index(one.verdict) for one in said],
        mode="markers",
        marker={
            "size": 11,
            "color": [COLOURS[one.verdict] for one in said],
            "symbol": [SHAPES[one.verdict] for one in said],
        },
        text=[_words(one) for one in said],
        hoverinfo="text",
    )
    frame(
        figure,
        xaxis=axis(t("counted cycles"), rangemode="tozero", tickformat=",d", nticks=5, tickangle=0),
        yaxis=axis(
            "",
            tickvals=list(range(len(LEVELS))),
            ticktext=[t(level) for level in LEVELS],
            range=[-0.4, 2.4],
        ),
        height=HEIGHT,
        margin={"l": 120, "r": 20, "t": 12, "b": 64},
    )
    return Chart(
        name="decisions-over-cycles",
        title=_title(said),
        summary=_summary(said),
        tables=(
            Table(
                name="decisions",
                caption=t("What was said"),
                columns=(
                    Column("when", t("when"), "moment"),
                    Column("verdict", t("verdict")),
                    Column("cycles", t("counted cycles"), "count"),
                    Column("failures", t("relevant failures"), "count"),
                ),
                rows=tuple(
                    (one.at or one.when, t(one.verdict), one.cycles, one.failures) for one in said
                ),
            ),
        ),
        figure=figure,
    )


def _broken(values: Sequence[int], said: Sequence[Said]) -> list[int | None]:
    """Put a gap wherever the cycles fall: a line across it would tell of cycles that never ran."""
    line: list[int | None] = list(values[:1])
    for (before, after), value in zip(pairwise(said), values[1:], strict=True):
        line += [None, value] if after.cycles < before.cycles else [value]
    return line


def _words(one: Said) -> str:
    return t("{verdict} after {cycles}, {when}", verdict=t(one.verdict),
             cycles=words.counted(one.cycles, "cycle"), when=one.when)  # fmt: skip


def _changes(said: Sequence[Said]) -> int:
    return sum(before.verdict != after.verdict for before, after in pairwise(said))


def _title(said: Sequence[Said]) -> str:
    last, changes = said[-1], _changes(said)
    now = t("{verdict} after {cycles}", verdict=t(last.verdict),
            cycles=words.counted(last.cycles, "cycle"))  # fmt: skip
    if not changes:
        return t("{now}, as ever before", now=now) if len(said) > 1 else now
    before = [one.verdict for one in said if one.verdict != last.verdict][-1]
    return t("{now}; before that {verdict}", now=now, verdict=t(before))


def _summary(said: Sequence[Said]) -> str:
    last, changes = said[-1], _changes(said)
    now = {"verdict": t(last.verdict), "cycles": words.counted(last.cycles, "cycle")}
    if len(said) == 1:
        return t("Nothing was noted so far; it is {verdict} after {cycles}.", **now)
    if not changes:
        return t("The word has never changed; it is {verdict} after {cycles} now.", **now)
    if changes == 1:
        return t("The word changed once; it is {verdict} after {cycles} now.", **now)
    return t("The word changed {number} times; it is {verdict} after {cycles} now.",
             number=changes, **now)  # fmt: skip
