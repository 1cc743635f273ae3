"""Which failure modes make up the failures, the most frequent first, each with its effect."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from trialog.evidence.course import RankedMode
from trialog.languages import t
from trialog.records.words import Effect
from trialog.reports import words
from trialog.reports.figures.chart import (
    CLEAR,
    LINE,
    MARK,
    NO_GO_COLOUR,
    QUIET,
    TEXT,
    Chart,
    axis,
    frame,
    label,
    plain_text,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table

MOST_MODES = 12
"""Modes with a bar of their own; the table has all."""

ROW, AROUND, LEAST_ROWS = 46, 86, 3
"""Pixels of a bar with its name above, and of the axis and the edges."""

STYLES: dict[Effect, dict[str, Any]] = {
    Effect.DAMAGE: {"color": NO_GO_COLOUR, "shape": "x"},
    Effect.STOPS: {"color": LINE, "shape": ""},
    Effect.NUISANCE: {"color": QUIET, "shape": "/"},
}
"""Each effect has its colour, its pattern and its word above the bar."""


def failure_modes(modes: Sequence[RankedMode], *, subject: str) -> Chart:
    """Draw how often each failure mode was seen, and how they add up."""
    shown, total = modes[:MOST_MODES], modes[-1].so_far if modes else 0
    rows = max(len(shown), LEAST_ROWS)
    figure = Figure()
    if shown:
        _add_bars(figure, shown)
        _add_sum(figure, shown, total)
    frame(
        figure,
        xaxis=axis(
            t("relevant failures"), range=[0, 1.12 * max(total, 1)], tickformat=",d",
            **({"dtick": 1} if total < 8 else {"nticks": 6}),
        ),
        yaxis=axis(
            "", range=[rows - 0.4, -0.75], showticklabels=False, ticks="",
            showgrid=False,
        ),
        height=AROUND + ROW * rows,
        margin={"l": 24, "r": 24, "t": 12, "b": 64},
        bargap=0.5,
        meta="rows",
    )  # fmt: skip
    return Chart(
        name="failure-modes",
        title=_title(modes, total),
        summary=_summary(modes, total, subject),
        tables=(_table(modes, total),),
        figure=figure,
    )


def _add_bars(figure: Figure, shown: Sequence[RankedMode]) -> None:
    styles = [STYLES[mode.effect] for mode in shown]
    figure.add_bar(
        name="failure mode",
        orientation="h",
        x=[mode.failures for mode in shown],
        y=list(range(len(shown))),
        marker={
            "color": [style["color"] for style in styles],
            "line": {"color": TEXT, "width": 1},
            "pattern": {
                "shape": [style["shape"] for style in styles],
                "fillmode": "replace", "size": 8, "solidity": 0.5,
                "bgcolor": CLEAR,
            },
        },
        text=[_words(mode) for mode in shown],
        textposition="none",
        hoverinfo="text",
    )  # fmt: skip
    for place, mode in enumerate(shown):
        label(
            figure, plain_text(mode.mode), TEXT,
            more=f" · {t(mode.effect)} · {words.number(mode.failures)}",
            x=0, y=place, xanchor="left", yanchor="bottom", yshift=9, xshift=2,
            font={"size": 13, "color": TEXT},
        )  # fmt: skip


def _add_sum(figure: Figure, shown: Sequence[RankedMode], total: int) -> None:
    figure.add_scatter(
        name="so far",
        x=[mode.so_far for mode in shown],
        y=list(range(len(shown))),
        mode="lines+markers",
        line={"color": MARK, "width": 1.5, "dash": "dot"},
        marker={"symbol": "circle-open", "size": 8, "color": MARK},
        text=[
            t("together so far: {number} of {total}", number=mode.so_far, total=total)
            for mode in shown
        ],
        hoverinfo="text",
    )


def _words(mode: RankedMode) -> str:
    return f"{plain_text(mode.mode)} ({plain_text(mode.device)}): {mode.failures:,}"


def _title(modes: Sequence[RankedMode], total: int) -> str:
    if not modes:
        return t("No relevant failure so far")
    first = modes[0]
    if len(modes) == 1:
        said = t("Every relevant failure so far: {mode}", mode=first.mode)
    elif first.failures == modes[1].failures:
        level = [mode.mode for mode in modes if mode.failures == first.failures]
        said = t("Most frequent, as often as each other: {modes}", modes=words.listed(level))
    else:
        said = t("Most frequent: {mode}, {number} of {total}",
                 mode=first.mode, number=first.failures, total=total)  # fmt: skip
    damage = sum(mode.failures for mode in modes if mode.effect is Effect.DAMAGE)
    return f"{said}; {_damage(damage)}" if damage else said


def _damage(number: int) -> str:
    return t("{number} that can damage", number=number)


def _summary(modes: Sequence[RankedMode], total: int, subject: str) -> str:
    if not modes:
        return t("{subject}: no failure mode was seen.", subject=subject)
    each = [f"{mode.mode} ({t(mode.effect)}) {words.number(mode.failures)}"
            for mode in modes[:MOST_MODES]]  # fmt: skip
    more = total - modes[:MOST_MODES][-1].so_far
    if more:
        each.append(t("others {number}", number=more))
    return t(
        "{subject}: {modes}. The dotted line adds them up. A cycle with two failure modes is one "
        "of each.",
        subject=subject,
        modes=", ".join(each),
    )


def _table(modes: Sequence[RankedMode], total: int) -> Table:
    return Table(
        name="failure-modes",
        caption=t("Failure modes, the most frequent first"),
        columns=(
            Column("mode", t("failure mode")),
            Column("device", t("device")),
            Column("effect", t("effect")),
            Column("failures", t("relevant failures"), "count"),
            Column("share", t("share"), "share"),
            Column("so_far", t("together so far"), "share"),
        ),
        rows=tuple(
            (
                mode.mode, mode.device, t(mode.effect), mode.failures, mode.failures / total,
                mode.so_far / total,
            )
            for mode in modes
        ),
        empty=t("No relevant failure so far."),
    )  # fmt: skip
