"""The chance of getting through a stretch without a stop, against its length."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trialog.languages import t
from trialog.reliability import (
    RateBounds,
    StopFreeChances,
    stop_free_chance,
    stop_free_chances,
    stretch_cycles,
)
from trialog.reports import words
from trialog.reports.figures.chart import (
    BAND,
    GO_COLOUR,
    KEEP_COLOUR,
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

HOUR = 3600
POINTS = 80
TABLE_ROWS = 9
HIGH = 0.8
"""A chance above this is told with a digit more: what matters is how far it is from certainty."""

LEAST_DIGITS, LONGEST_ASKED = 3, len("99.99 %")
LEAST_SAID = 0.001
"""A smaller chance is said to be under that."""


@dataclass(frozen=True)
class Alone:
    """What is known of a subject, and what is asked of it.

    `rate`: two-sided bounds, for information. `upper`: the bound that decides. `target`: the
    chance that is asked of this subject for `required_seconds`; `proven_seconds` is as long as
    `upper` lets that chance hold, None for no limit.
    """

    subject: str
    rate: RateBounds
    upper: float
    confidence: float
    target: float
    cycle_seconds: float
    required_seconds: float
    proven_seconds: float | None

    @property
    def reached(self) -> bool:
        """Whether the stretch that is required is proven."""
        return self.proven_seconds is None or self.proven_seconds >= self.required_seconds

    def cycles_of(self, seconds: float) -> int:
        """The whole cycles of a stretch."""
        return stretch_cycles(seconds / HOUR, self.cycle_seconds) if seconds > 0 else 0


def stop_free_stretches(alone: Alone) -> Chart:
    """Draw the chance of a stretch without a stop: at least, as it was, and the band around."""
    lengths = _lengths(alone)
    cycles = [alone.cycles_of(seconds) for seconds in lengths]
    shown = [stop_free_chance(alone.upper, number) for number in cycles]
    chances = stop_free_chances(alone.rate, cycles)
    unit, name = (HOUR, t("hours")) if lengths[-1] >= 2 * HOUR else (60, t("minutes"))
    figure = Figure()
    if alone.rate.cycles:
        _add_lines(figure, [one / unit for one in lengths], shown, chances)
    _add_required(figure, alone, unit)
    frame(
        figure,
        showlegend=True,
        legend={"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
        margin={"l": 70, "r": 20, "t": 64, "b": 64},
        xaxis=axis(t("stretch, {unit}", unit=name), range=[0, lengths[-1] / unit], nticks=7),
        yaxis=axis(t("chance without a stop"), range=[0, 103], ticksuffix=" %"),
    )
    return Chart(
        name="stop-free-chance",
        title=_title(alone),
        summary=_summary(alone),
        tables=(_table(alone, lengths, shown, chances),),
        figure=figure,
    )


def _lengths(alone: Alone) -> list[float]:
    """Return the lengths of the picture; the one that is required is among them exactly."""
    longest = max(2 * alone.required_seconds, 1.25 * min(alone.proven_seconds or 0,
                                                         4 * alone.required_seconds))  # fmt: skip
    even = {longest * place / (POINTS - 1) for place in range(POINTS)}
    return sorted(even | {alone.required_seconds})


def _add_lines(
    figure: Figure, across: list[float], shown: list[float], chances: StopFreeChances
) -> None:
    def percent(values: Sequence[float]) -> list[float]:
        return [float(f"{100 * value:.4g}") for value in values]

    figure.add_scatter(name="band", x=across, y=percent(chances.lower.tolist()), mode="lines",
                       line={"width": 0}, hoverinfo="skip", showlegend=False)  # fmt: skip
    figure.add_scatter(name=t("interval"), x=across, y=percent(chances.upper.tolist()),
                       mode="lines", line={"width": 0}, fill="tonexty", fillcolor=BAND,
                       hoverinfo="skip")  # fmt: skip
    if chances.estimate is not None:
        figure.add_scatter(
            name=t("as it was so far"), x=across, y=percent(chances.estimate.tolist()),
            mode="lines", line={"color": TEXT, "width": 2, "dash": "dot"}, hoverinfo="skip",
        )  # fmt: skip
    figure.add_scatter(
        name=t("shown: at least"), x=across, y=percent(shown), mode="lines",
        line={"color": LINE, "width": 3},
        text=[_shown(chance) for chance in shown], hoverinfo="text",
    )  # fmt: skip


def _add_required(figure: Figure, alone: Alone, unit: int) -> None:
    at, target = alone.required_seconds / unit, 100 * alone.target
    reached = alone.reached
    for x, y in (((at, at), (0, target)), ((0, at), (target, target))):
        figure.add_line(x0=x[0], x1=x[1], y0=y[0], y1=y[1],
                         line={"color": NO_GO_COLOUR, "width": 2, "dash": "dash"})  # fmt: skip
    figure.add_scatter(
        name=t("required"), x=[at], y=[target], mode="markers",
        marker={
            "symbol": "circle" if reached else "square-open", "size": 13,
            "color": GO_COLOUR if reached else KEEP_COLOUR,
            "line": {"width": 3, "color": GO_COLOUR if reached else MARK},
        },
        text=[t("required: {chance} for {length}", chance=_pair(alone)[1],
                length=words.length(alone.required_seconds))],
        hoverinfo="text",
    )  # fmt: skip
    label(figure, t("required"), NO_GO_COLOUR, x=at, y=target, xanchor="left", yanchor="bottom",
          xshift=8)  # fmt: skip


def _chance(alone: Alone) -> float:
    """Return the chance of the stretch required that the bound that decides leaves."""
    return stop_free_chance(alone.upper, alone.cycles_of(alone.required_seconds))


def _shown(chance: float, digits: int = 0) -> str:
    """Say a chance that was shown, rounded down."""
    if chance < LEAST_SAID:
        return t("under {chance}", chance=words.chance(LEAST_SAID))
    return _floor(chance, digits or (LEAST_DIGITS if chance > HIGH else words.DIGITS))


def _pair(alone: Alone) -> tuple[str, str]:
    """Say the chance that is shown and the one required, so that the words tell which is larger."""
    chance = _chance(alone)
    if alone.reached:
        # What is proven is decided in decimals, so no float may say a hair less.
        return _shown(max(chance, alone.target)), _target(alone.target, LEAST_DIGITS)
    digits = LEAST_DIGITS if chance > HIGH else words.DIGITS
    while digits < words.MOST_DIGITS and _floor(chance, digits) == _floor(alone.target, digits):
        digits += 1
    return _shown(chance, digits), _target(alone.target, digits)


def _floor(value: float, digits: int) -> str:
    return words.rate_down(value, digits)


def _target(value: float, digits: int) -> str:
    """Say a chance that is required: as it was asked for, or a device's share of that."""
    asked = words.chance(value)
    return asked if len(asked) <= LONGEST_ASKED else _floor(value, digits)


def _title(alone: Alone) -> str:
    asked = words.length(alone.required_seconds)
    if not alone.rate.cycles:
        return t("Nothing is known yet of the chance to run {length} without a stop", length=asked)
    shown, target = _pair(alone)
    return t(
        "{length} without a stop: a chance of {chance} is shown, {target} is required",
        length=asked,
        chance=shown,
        target=target,
    )


def _summary(alone: Alone) -> str:
    asked = t("{subject}: {length} are required, with a chance of {target}.",
              subject=alone.subject, length=words.length(alone.required_seconds),
              target=_pair(alone)[1])  # fmt: skip
    if not alone.rate.cycles:
        return asked
    proven = t("no limit") if alone.proven_seconds is None else words.stretch(alone.proven_seconds)
    return " ".join(
        (
            asked,
            t("Full line: the chance that is shown at {confidence} confidence, however often "
              "anybody looked; it holds that chance for {proven}.",
              confidence=words.chance(alone.confidence), proven=proven),
            t("Dotted: were the rate exactly what was counted, {rate}; band: its exact interval at "
              "{confidence} confidence, for information.",
              rate=words.rate(alone.rate.estimate),
              confidence=words.chance(alone.rate.confidence)),
        )
    )  # fmt: skip


def _table(
    alone: Alone, lengths: Sequence[float], shown: Sequence[float], chances: StopFreeChances
) -> Table:
    even = {round(place * (len(lengths) - 1) / (TABLE_ROWS - 1)) for place in range(TABLE_ROWS)}
    rows = sorted(even | {lengths.index(alone.required_seconds)})
    estimate = chances.estimate
    return Table(
        name="stop-free-chance",
        caption=t("Chance of a stretch without a stop"),
        columns=(
            Column("seconds", t("stretch"), "length"),
            Column("cycles", t("cycles"), "count"),
            Column("shown", t("shown: at least"), "rate_down"),
            Column("estimate", t("as it was so far"), "share"),
            Column("lower", t("interval, from"), "share"),
            Column("upper", t("interval, to"), "share"),
        ),
        rows=tuple(
            (
                lengths[at], int(chances.cycles[at]), shown[at],
                None if estimate is None else float(estimate[at]), float(chances.lower[at]),
                float(chances.upper[at]),
            )
            for at in rows
            if alone.rate.cycles
        ),
        empty=t("No cycle counted yet."),
    )  # fmt: skip
