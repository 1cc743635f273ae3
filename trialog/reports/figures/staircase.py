"""A plan's staircase, failures over cycles, with a trial's path on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trialog.evidence.course import thinned
from trialog.evidence.plan_words import plan_words
from trialog.languages import t
from trialog.reliability import Crossing, Decision, FixedPlan, Plan, first_decision
from trialog.reports.figures.chart import (
    GO_COLOUR,
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
from trialog.reports.figures.zones import Extent, add_zones, extent, lines_in_words, lines_table
from trialog.reports.tables import Column, Table
from trialog.reports.words import counted

MOST_STEPS = 2_000
"""More steps than a screen has pixels draw no better and load slowly."""

SHAPES = {
    "GO": ("circle", GO_COLOUR),
    "NO-GO": ("octagon", NO_GO_COLOUR),
    "KEEP RUNNING": ("square-open", KEEP_COLOUR),
}
"""Disc, octagon, square: as beside the word elsewhere."""


@dataclass(frozen=True)
class Step:
    """The number of relevant failures after one more of them.

    `exact` is False where nobody wrote down which cycle failed: it stands at its shift's end.
    """

    cycle: int
    failures: int
    exact: bool


def staircase(
    plan: Plan,
    positions: Sequence[int] = (),
    cycles: int | None = None,
    *,
    unplaced: Sequence[int] = (),
    subject: str = "",
    decision: Decision | None = None,
    name: str = "staircase",
) -> Chart:
    """Draw a plan's zones and a trial's failures over its counted cycles.

    `positions` are the cycles that failed, each once; those in `unplaced` stand at cycles that
    nobody wrote down. `cycles` is how many were counted; None draws the plan alone. The mark
    stands where the plan decided, or where the trial is now. `decision` is what the plan says of
    the trial as a whole, where that is more than this one path tells.
    """
    steps = _steps(positions, unplaced)
    end = extent(plan, len(steps), cycles or 0)
    figure = Figure()
    path: tuple[Table, ...]
    add_zones(figure, plan, end)
    lead = f"{subject}: " if subject else ""
    if cycles is None:
        title, summary, path = _plan_title(plan), lines_in_words(plan), ()
    else:
        point = decision_point(plan, [step.cycle for step in steps], cycles)
        if decision is not None and decision != point.decision:
            last = steps[-1].cycle if decision == "NO-GO" and steps else cycles
            point = Crossing(decision, len(steps), last)
        _add_path(figure, steps, point, cycles)
        _add_point(figure, point, end)
        title = path_title(plan, point, len(steps), cycles)
        summary = lead + _summary(plan, steps, cycles)
        path = (_path_table(steps, cycles),)
    _lay_out(figure, end)
    return Chart(
        name=name, title=title, summary=summary, tables=(*path, lines_table(plan)), figure=figure
    )


def decision_point(plan: Plan, positions: Sequence[int], cycles: int) -> Crossing:
    """Return where a plan decided, as the verdict reads it.

    For a fixed number of cycles a failure too many is NO-GO also after the GO: running on can
    only take a GO away.
    """
    if isinstance(plan, FixedPlan) and len(positions) > plan.allowed_failures:
        worst = sorted(positions)[plan.allowed_failures]
        return Crossing("NO-GO", plan.allowed_failures + 1, worst)
    return first_decision(plan, positions, cycles)


def _steps(positions: Sequence[int], unplaced: Sequence[int]) -> tuple[Step, ...]:
    placed = sorted([*((at, True) for at in positions), *((at, False) for at in unplaced)])
    return tuple(Step(at, count, exact) for count, (at, exact) in enumerate(placed, start=1))


def _plan_title(plan: Plan) -> str:
    words = plan_words(plan)
    return t("GO after {cycles}", cycles=words) if words[0].isdigit() else words


def path_title(plan: Plan, point: Crossing, failures: int, cycles: int) -> str:
    """Say the finding: where the plan decided and what came after, or what is missing."""
    if cycles == 0:
        return t("No cycle counted yet")
    if point.decision == "KEEP RUNNING":
        so_far = t("{failures} in {cycles}", failures=counted(failures, "failure"),
                   cycles=counted(cycles, "cycle"))  # fmt: skip
        missing = (plan.go_line(failures) or cycles) - cycles
        if missing <= 0:
            return t(
                "{so_far}: which line came first depends on an order that nobody wrote down",
                so_far=so_far,
            )
        return t("{so_far}: {missing} to the plan's GO line", so_far=so_far,
                 missing=counted(missing, "more clean cycle"))  # fmt: skip
    if point.decision == "NO-GO":
        found = t("The plan says NO-GO at failure {number}, cycle {cycle}",
                  number=point.failures, cycle=point.cycles)  # fmt: skip
    elif point.failures == 0:
        found = t("The plan says GO after {cycles}",
                  cycles=counted(point.cycles, "clean cycle"))  # fmt: skip
    else:
        found = t("The plan says GO after {cycles} cycles with {failures}", cycles=point.cycles,
                  failures=counted(point.failures, "failure"))  # fmt: skip
    after = cycles - point.cycles
    if not after:
        return found
    return t("{found}; {cycles} more with {failures}", found=found, cycles=after,
             failures=counted(failures - point.failures, "failure"))  # fmt: skip


def _summary(plan: Plan, steps: tuple[Step, ...], cycles: int) -> str:
    sentences = [
        t(
            "{failures} over {cycles}.",
            failures=counted(len(steps), "relevant failure"),
            cycles=counted(cycles, "counted cycle"),
        ),
        lines_in_words(plan),
    ]
    unknown = sum(not step.exact for step in steps)
    if unknown:
        sentences.append(
            t(
                "{failures} without a cycle number: drawn at the end of the shift, as hollow "
                "marks.",
                failures=counted(unknown, "failure"),
            )
        )
    return " ".join(sentences)


def _path_table(steps: tuple[Step, ...], cycles: int) -> Table:
    shown = [
        (step.cycle, step.failures, t("exact") if step.exact else t("end of shift"))
        for step in _thinned(steps)
    ]
    return Table(
        name="path",
        caption=t("The trial's path"),
        columns=(
            Column("cycle", t("counted cycle"), "count"),
            Column("failures", t("relevant failures so far"), "count"),
            Column("position", t("position")),
        ),
        rows=(*shown, (cycles, len(steps), t("now"))),
    )


def _thinned(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Leave out steps that no screen could show; the first and the last always stay."""
    return tuple(steps[place] for place in thinned(len(steps), MOST_STEPS))


def _add_path(figure: Figure, steps: tuple[Step, ...], point: Crossing, cycles: int) -> None:
    """Draw the path: full to the decision, dotted where the trial ran on after it."""
    shown = _thinned(steps)
    before = [(step.cycle, step.failures) for step in shown if step.failures <= point.failures]
    after = [(step.cycle, step.failures) for step in shown if step.failures > point.failures]
    here, end = (point.cycles, point.failures), (cycles, len(steps))
    _add_line(figure, "path", [(0, 0), *before, here], "solid")
    if end != here:
        _add_line(figure, "path after the decision", [here, *after, end], "dot")
    for exact, symbol in ((True, "circle"), (False, "circle-open")):
        marked = [step for step in shown if step.exact is exact]
        figure.add_scatter(
            name="failure" if exact else "failure without a cycle number",
            x=[step.cycle for step in marked],
            y=[step.failures for step in marked],
            mode="markers",
            marker={
                "symbol": symbol, "size": 9, "color": MARK, "line": {"width": 2, "color": MARK},
            },
            text=[_hover(step) for step in marked],
            hoverinfo="text",
        )  # fmt: skip


def _add_line(figure: Figure, name: str, points: list[tuple[int, int]], dash: str) -> None:
    across, up = zip(*points, strict=True)
    figure.add_scatter(
        name=name,
        x=list(across),
        y=list(up),
        mode="lines",
        line={"shape": "hv", "color": LINE, "width": 3, "dash": dash},
        hoverinfo="skip",
    )


def _add_point(figure: Figure, point: Crossing, end: Extent) -> None:
    """Mark where the plan decided, or where the trial is now."""
    symbol, colour = SHAPES[point.decision]
    words = t("now")
    if point.decision != "KEEP RUNNING":
        words = t("{verdict} here", verdict=t(point.decision))
    figure.add_scatter(
        name="verdict of the plan",
        x=[point.cycles],
        y=[point.failures],
        mode="markers",
        marker={
            "symbol": symbol,
            "size": 17,
            "color": colour,
            "line": {"width": 3, "color": colour},
        },
        text=[f"{words}: {_at(point.cycles, point.failures)}"],
        hoverinfo="text",
    )
    late = point.cycles > end.cycles * 0.75
    label(
        figure, words, colour, x=point.cycles, y=point.failures, yanchor="bottom", yshift=10,
        xanchor="right" if late else "left", xshift=-4 if late else 4,
    )  # fmt: skip


def _hover(step: Step) -> str:
    if step.exact:
        return t("failure {number} at cycle {cycle}", number=step.failures, cycle=step.cycle)
    return t("failure {number} at some cycle up to {cycle} (end of shift)",
             number=step.failures, cycle=step.cycle)  # fmt: skip


def _at(cycle: int, failures: int) -> str:
    return t("cycle {cycle}, {failures}", cycle=cycle, failures=counted(failures, "failure"))


def _lay_out(figure: Figure, end: Extent) -> None:
    whole = {"dtick": 1} if end.failures < 12 else {}
    ticks = 5 if end.cycles < 2_000_000 else 3
    frame(
        figure,
        xaxis=axis(
            t("counted cycles"), range=[0, end.cycles], tickformat=",d", nticks=ticks, tickangle=0
        ),
        yaxis=axis(
            t("relevant failures so far"), range=[-0.5, end.failures], tickformat=",d", **whole
        ),
    )
