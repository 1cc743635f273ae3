"""The zones of a plan: where the counts are GO, KEEP RUNNING and NO-GO.

Failures are whole numbers, so a row of the picture belongs to each, parted half-way from the
next. Each zone has its word; GO has a full border, NO-GO a broken one and is hatched: no zone is
told by its colour alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from trialog.languages import mark, numeral, t
from trialog.reliability import Plan
from trialog.reports.figures.chart import (
    GO_COLOUR,
    GO_FILL,
    KEEP_COLOUR,
    LABEL,
    NO_GO_COLOUR,
    NO_GO_FILL,
    label,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table
from trialog.reports.words import counted

MOST_ROWS = 500
"""More rows than a picture is high in pixels draw no better and load slowly."""

TALL = 5
"""Up to so many failures rows are so tall that a word has room below a path."""

FLAT = 12
"""From so many on they are so flat that a word covers a line."""

BEYOND = 1.5
"""Zones go on past the axes' ends, so that no border is drawn there."""


@dataclass(frozen=True)
class Extent:
    """How far the axes go: past both the record and the plan."""

    cycles: float
    failures: float


def extent(plan: Plan, failures: int = 0, cycles: int = 0) -> Extent:
    """Return the axes' ends for a plan and a record of so many failures and cycles."""
    most = max(failures, plan.max_failures + 1)
    return Extent(cycles=max(cycles, plan.max_cycles) * 1.12, failures=most * 1.1 + 0.6)


def add_zones(figure: Figure, plan: Plan, end: Extent) -> None:
    """Draw the zones of a plan and write their words into them."""
    right, top = end.cycles * BEYOND, end.failures * BEYOND
    _add_go(figure, plan, right)
    _add_no_go(figure, plan, right, top)
    _add_words(figure, plan, end)


def go_rows(plan: Plan) -> list[tuple[int, int, int]]:
    """Return the GO line as (cycles, first and last number of failures that it holds for)."""
    lines = [plan.go_line(failures) or 0 for failures in range(plan.max_failures + 1)]
    return list(_thinned(_rows(lines)))


def no_go_rows(plan: Plan) -> list[tuple[int, int, int]]:
    """Return the NO-GO line as `go_rows`, without the numbers of failures that it has none for."""
    lines = [plan.no_go_line(failures) or 0 for failures in range(plan.max_failures + 1)]
    return [row for row in _thinned(_rows(lines)) if row[0]]


def _rows(lines: Sequence[int]) -> list[tuple[int, int, int]]:
    rows: list[tuple[int, int, int]] = []
    for failures, line in enumerate(lines):
        if rows and rows[-1][0] == line:
            rows[-1] = (line, rows[-1][1], failures)
        else:
            rows.append((line, failures, failures))
    return rows


def _thinned(rows: list[tuple[int, int, int]]) -> Iterator[tuple[int, int, int]]:
    """Join neighbouring rows where there are more than a picture shows; each keeps its first."""
    every = -(-len(rows) // MOST_ROWS)
    for start in range(0, len(rows), every):
        joined = rows[start : start + every]
        yield joined[0][0], joined[0][1], joined[-1][2]


def _add_go(figure: Figure, plan: Plan, right: float) -> None:
    rows = go_rows(plan)
    corners = _stairs(rows)
    last = rows[-1][2] + 0.5
    _add_zone(
        figure,
        "GO",
        [*corners, (right, last), (right, -0.5)],
        [*_said(rows, mark("{failures}: GO from {cycles} cycles on")), "", ""],
        fillcolor=GO_FILL,
        line={"color": GO_COLOUR, "width": 2},
    )


def _add_no_go(figure: Figure, plan: Plan, right: float, top: float) -> None:
    rows, border = no_go_rows(plan), plan.max_failures + 0.5
    lowest = rows[0][1] - 0.5 if rows else border
    too_many = t("{failures}: NO-GO at any number of cycles",
                 failures=counted(plan.max_failures + 1, "failure"))  # fmt: skip
    _add_zone(
        figure,
        "NO-GO",
        [(0, lowest), *_stairs(rows), (_end_of(rows), border), (right, border), (right, top),
         (0, top)],
        ["", *_said(rows, mark("{failures}: NO-GO up to {cycles} cycles")), too_many, "", "", ""],
        fillpattern={
            "shape": "/", "size": 12, "solidity": 0.12, "fillmode": "overlay",
            "fgcolor": NO_GO_COLOUR, "fgopacity": 0.55,
        },
        fillcolor=NO_GO_FILL,
        line={"color": NO_GO_COLOUR, "width": 2, "dash": "dash"},
    )  # fmt: skip


def _stairs(rows: list[tuple[int, int, int]]) -> list[tuple[float, float]]:
    return [
        corner
        for cycles, first, last in rows
        for corner in ((cycles, first - 0.5), (cycles, last + 0.5))
    ]


def _said(rows: list[tuple[int, int, int]], text: str) -> list[str]:
    """Return the words that each corner of the stairs says."""
    return [
        t(text, failures=_failures(first, last), cycles=cycles)
        for cycles, first, last in rows
        for _ in range(2)
    ]


def _failures(first: int, last: int) -> str:
    if first == last:
        return counted(first, "failure")
    return t("{first} to {last} failures", first=first, last=last)


def _end_of(rows: list[tuple[int, int, int]]) -> int:
    return rows[-1][0] if rows else 0


def _add_zone(
    figure: Figure,
    name: str,
    corners: list[tuple[float, float]],
    texts: list[str],
    **style: object,
) -> None:
    across, up = zip(*corners, strict=True)
    figure.add_scatter(
        name=name,
        x=list(across),
        y=list(up),
        text=texts,
        mode="lines",
        fill="toself",
        hoveron="points",
        hovertemplate="%{text}<extra></extra>",
        **style,
    )


def _add_words(figure: Figure, plan: Plan, end: Extent) -> None:
    cycles, failures = _roomiest(plan)
    label(figure, t("NO-GO"), NO_GO_COLOUR, x=0, y=end.failures, xanchor="left", yanchor="top",
          xshift=8, yshift=-6, bgcolor=LABEL)  # fmt: skip
    label(figure, t("GO"), GO_COLOUR, x=end.cycles, y=-0.5, xanchor="right", yanchor="bottom",
          xshift=-10, yshift=6)  # fmt: skip
    place: dict[str, Any] = {}
    keep = t("KEEP RUNNING").replace(" ", "<br>", 1)
    if end.failures < TALL:
        keep, place = t("KEEP RUNNING"), {"yanchor": "top", "yshift": -8}
    elif end.failures > FLAT:
        place = {"bgcolor": LABEL}
    label(figure, keep, KEEP_COLOUR, x=cycles, y=failures, **place)


def _roomiest(plan: Plan) -> tuple[float, int]:
    """Return the middle of KEEP RUNNING, as cycles and failures: among its widest rows."""
    no_go = {first: cycles for cycles, first, _ in no_go_rows(plan)}
    rows = [(no_go.get(first, 0), cycles, first) for cycles, first, _ in go_rows(plan)]
    widest = max(end - begin for begin, end, _ in rows)
    wide = [row for row in rows if row[1] - row[0] > 0.9 * widest]
    begin, end, failures = wide[len(wide) // 2]
    return (begin + end) / 2, failures


def lines_table(plan: Plan) -> Table:
    """Return the plan's two lines as a table."""
    no_go = {first: cycles for cycles, first, _ in no_go_rows(plan)}
    rows = [(_of(first, last), cycles, no_go.get(first)) for cycles, first, last in go_rows(plan)]
    more = t("{failures} or more", failures=plan.max_failures + 1)
    return Table(
        name="plan-lines",
        caption=t("The plan's lines"),
        columns=(
            Column("failures", t("failures")),
            Column("go_from", t("GO from cycles"), "count"),
            Column("no_go_up_to", t("NO-GO up to cycles"), "count"),
        ),
        rows=(*rows, (more, None, t("any number"))),
    )


def _of(first: int, last: int) -> str:
    return numeral(first) if first == last else t("{first} to {last}", first=first, last=last)


def lines_in_words(plan: Plan) -> str:
    """Say in numbers where a plan's lines lie."""
    go = go_rows(plan)
    parts = [t("GO from {cycles} cycles on with {failures}", cycles=go[0][0],
               failures=_up_to(go[0][1], go[0][2]))]  # fmt: skip
    parts += [t("from {cycles} with {failures}", cycles=cycles, failures=_of(first, last))
              for cycles, first, last in go[1:3]]  # fmt: skip
    if len(go) > 3:
        parts.append(t("and so on"))
    sooner = [
        t("failure {number} within {cycles} cycles", number=first, cycles=cycles)
        for cycles, first, _ in no_go_rows(plan)[:2]
    ]
    at_once = t("failure {number} at any number of cycles", number=plan.max_failures + 1)
    return t("The plan says {go}; NO-GO at {no_go}.", go=", ".join(parts),
             no_go=", ".join([*sooner, at_once]))  # fmt: skip


def _up_to(first: int, last: int) -> str:
    if last == 0:
        return t("no failure")
    failures = counted(last, "failure")
    return failures if first == last else t("at most {failures}", failures=failures)
