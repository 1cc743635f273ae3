"""Charts, each with the same content in words and as a table.

Colours are CSS variables: the script that draws a chart resolves them at that moment, so that
one figure serves light, dark and print.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import plotly.graph_objects as go

from trialog.evidence import Evidence, Verdict
from trialog.reports import words

TEXT, GRID = "var(--chart-text)", "var(--chart-grid)"
LINE, MARK = "var(--chart-line)", "var(--chart-mark)"
GO_COLOUR, GO_FILL = "var(--chart-go)", "var(--chart-go-fill)"
NO_GO_COLOUR, NO_GO_FILL = "var(--chart-no-go)", "var(--chart-no-go-fill)"
CLEAR = "rgba(0,0,0,0)"

MOST_STEPS = 2_000
"""More steps than a screen has pixels draw no better and load slowly."""


@dataclass(frozen=True)
class Step:
    """The number of relevant failures after one more of them.

    `exact` is False where nobody wrote down which cycle failed: it stands at its shift's end.
    """

    cycle: int
    failures: int
    exact: bool


@dataclass(frozen=True)
class Chart:
    """A figure with the words and rows that say the same."""

    name: str
    title: str
    summary: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    figure: go.Figure

    @cached_property
    def json(self) -> str:
        """The figure as JSON that is safe inside a script element of HTML."""
        text = json.dumps(json.loads(self.figure.to_json()), separators=(",", ":"))
        return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def failure_steps(evidence: Evidence) -> tuple[Step, ...]:
    """Return where the relevant failures stand among the counted cycles of a trial."""
    known = sorted(evidence.positions)
    steps: list[tuple[int, bool]] = []
    before = end = 0
    for shift in evidence.shifts.to_dict("records"):
        before, end = end, end + int(shift["cycles"])
        placed = known[bisect_right(known, before) : bisect_right(known, end)]
        steps += [(cycle, True) for cycle in placed]
        steps += [(end, False)] * (int(shift["failures"]) - len(placed))
    return tuple(Step(cycle, count, exact) for count, (cycle, exact) in enumerate(steps, start=1))


def failures_over_cycles(verdict: Verdict) -> Chart:
    """Draw a trial's relevant failures over its counted cycles, between the plan's lines."""
    steps = failure_steps(verdict.evidence)
    title = _title(verdict)
    figure = go.Figure()
    _add_regions(figure, verdict)
    _add_steps(figure, verdict, steps)
    _lay_out(figure, verdict)
    return Chart(
        name="failures-over-cycles",
        title=title,
        summary=_summary(verdict, steps),
        columns=("counted cycle", "relevant failures so far", "position"),
        rows=_rows(verdict, steps),
        figure=figure,
    )


def _title(verdict: Verdict) -> str:
    """Say the finding: how the record stands between the plan's two lines."""
    evidence, plan = verdict.evidence, verdict.plan
    if evidence.cycles == 0:
        return "No cycle counted yet"
    so_far = f"{words.counted(evidence.failures, 'failure')} in {evidence.cycles:,} cycles"
    if evidence.failures > plan.allowed_failures:
        return f"{so_far}: more than the plan allows"
    if evidence.cycles >= plan.cycles:
        return f"{so_far}: the plan's GO region is reached"
    return f"{so_far}: {plan.cycles - evidence.cycles:,} more cycles to the plan's GO region"


def _summary(verdict: Verdict, steps: tuple[Step, ...]) -> str:
    evidence, plan = verdict.evidence, verdict.plan
    sentences = [
        f"{verdict.subject}: {words.counted(evidence.failures, 'relevant failure')} over "
        f"{words.counted(evidence.cycles, 'counted cycle')}.",
        f"The plan says GO from {plan.cycles:,} cycles on with at most "
        f"{words.counted(plan.allowed_failures, 'failure')}, and NO-GO at "
        f"{words.counted(plan.allowed_failures + 1, 'failure')}.",
    ]
    unknown = sum(not step.exact for step in steps)
    if unknown:
        sentences.append(
            f"{words.counted(unknown, 'failure')} without a cycle number: drawn at the end of "
            "the shift, as hollow marks."
        )
    return " ".join(sentences)


def _rows(verdict: Verdict, steps: tuple[Step, ...]) -> tuple[tuple[str, ...], ...]:
    shown = [
        (f"{step.cycle:,}", f"{step.failures:,}", "exact" if step.exact else "end of shift")
        for step in _thinned(steps)
    ]
    end = (f"{verdict.evidence.cycles:,}", f"{verdict.evidence.failures:,}", "now")
    return (*shown, end)


def _thinned(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Leave out steps that no screen could show; the first and the last always stay."""
    if len(steps) <= MOST_STEPS:
        return steps
    last = len(steps) - 1
    return tuple(steps[round(place * last / (MOST_STEPS - 1))] for place in range(MOST_STEPS))


def _extent(verdict: Verdict) -> tuple[float, float]:
    """Return how far the axes go: past both the record and the plan."""
    cycles = max(verdict.evidence.cycles, verdict.plan.cycles)
    failures = max(verdict.evidence.failures, verdict.plan.allowed_failures + 1)
    return cycles * 1.12, failures * 1.1 + 0.6


def _add_regions(figure: go.Figure, verdict: Verdict) -> None:
    """Shade where the plan says GO and NO-GO, parted half-way between two whole numbers."""
    right, top = _extent(verdict)
    plan, border = verdict.plan, verdict.plan.allowed_failures + 0.5
    figure.add_shape(
        type="rect", x0=0, x1=right, y0=border, y1=top, layer="below",
        fillcolor=NO_GO_FILL, line={"width": 0},
    )  # fmt: skip
    figure.add_shape(
        type="line", x0=0, x1=right, y0=border, y1=border,
        line={"color": NO_GO_COLOUR, "width": 2, "dash": "dash"},
    )  # fmt: skip
    figure.add_shape(
        type="rect", x0=plan.cycles, x1=right, y0=-0.5, y1=border, layer="below",
        fillcolor=GO_FILL, line={"color": GO_COLOUR, "width": 2},
    )  # fmt: skip
    _label(figure, "NO-GO", NO_GO_COLOUR, x=0, y=top, xanchor="left", xshift=6)
    _label(figure, "GO", GO_COLOUR, x=right, y=border, xanchor="right", xshift=-6)


def _label(figure: go.Figure, text: str, colour: str, **place: Any) -> None:
    figure.add_annotation(
        text=f"<b>{text}</b>", showarrow=False, yanchor="top", font={"color": colour, "size": 15},
        **place,
    )  # fmt: skip


def _add_steps(figure: go.Figure, verdict: Verdict, steps: tuple[Step, ...]) -> None:
    shown = _thinned(steps)
    end = verdict.evidence
    figure.add_scatter(
        x=[0, *(step.cycle for step in shown), end.cycles],
        y=[0, *(step.failures for step in shown), end.failures],
        mode="lines",
        line={"shape": "hv", "color": LINE, "width": 3},
        hovertemplate="cycle %{x:,}: %{y} failures<extra></extra>",
    )
    for exact, symbol in ((True, "circle"), (False, "circle-open")):
        marked = [step for step in shown if step.exact is exact]
        figure.add_scatter(
            x=[step.cycle for step in marked],
            y=[step.failures for step in marked],
            mode="markers",
            marker={
                "symbol": symbol,
                "size": 9,
                "color": MARK,
                "line": {"width": 2, "color": MARK},
            },
            hovertemplate=_hover(exact=exact),
        )


def _hover(*, exact: bool) -> str:
    place = "cycle %{x:,}" if exact else "some cycle up to %{x:,} (end of shift)"
    return f"failure %{{y}} at {place}<extra></extra>"


def _lay_out(figure: go.Figure, verdict: Verdict) -> None:
    right, top = _extent(verdict)
    axis: dict[str, Any] = {
        "gridcolor": GRID, "linecolor": TEXT, "tickcolor": TEXT, "ticks": "outside",
        "showline": True, "zeroline": False, "fixedrange": True,
    }  # fmt: skip
    figure.update_layout(
        template=None,
        showlegend=False,
        paper_bgcolor=CLEAR,
        plot_bgcolor=CLEAR,
        font={"color": TEXT, "family": "system-ui, sans-serif", "size": 14},
        margin={"l": 70, "r": 20, "t": 12, "b": 56},
        height=380,
        xaxis=axis | {"title": {"text": "counted cycles"}, "range": [0, right], "tickformat": ",d"},
        yaxis=axis
        | {
            "title": {"text": "relevant failures so far"},
            "range": [-0.5, top],
            "tickformat": ",d",
            **({"dtick": 1} if top < 12 else {}),
        },
    )
