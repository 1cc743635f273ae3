"""Which shift met which condition: a box each, with what it was in words."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from trialog.languages import t
from trialog.reports import words
from trialog.reports.conditions import ConditionsOfShift, ConditionsReport
from trialog.reports.figures.chart import (
    BAND,
    CLEAR,
    GRID,
    TEXT,
    Chart,
    axis,
    frame,
    plain_text,
)
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Column, Table

MOST_SHIFTS = 24
"""Shifts with a row of their own in the picture: the newest. The table has all."""

MOST_ROWS = 500

ROW, AROUND = 30, 86

LEAST_WIDTH = 540
"""In fewer pixels the words would not fit into their boxes."""

NOT = "–"
LONGEST_LINE = 13


def conditions_matrix(report: ConditionsReport) -> Chart:
    """Draw shifts by conditions; a filled box with a sign and a word is a condition met."""
    shown = report.shifts[-MOST_SHIFTS:]
    headings = (t("cold start"), t("material lot"), t("tool change"), t("operators"))
    boxes = [[*map(_box, _met(shift))] for shift in shown]
    figure = Figure()
    if shown:
        figure.add_heatmap(
            x=list(range(len(headings))),
            y=list(range(len(shown))),
            z=[[int(word != NOT) for word in row] for row in boxes],
            zmin=0,
            zmax=1,
            colorscale=[[0, CLEAR], [1, BAND]],
            showscale=False,
            xgap=3,
            ygap=3,
            text=boxes,
            texttemplate="%{text}",
            textfont={"color": TEXT, "size": 13},
            hovertext=[[_hover(shift, heading) for heading in headings] for shift in shown],
            hoverinfo="text",
        )
    frame(
        figure,
        xaxis=axis(
            "", tickvals=list(range(len(headings))), ticktext=[_in_lines(one) for one in headings],
            side="top",
            showgrid=False, ticks="", showline=False, tickangle=0,
        ),
        yaxis=axis(
            "", tickvals=list(range(len(shown))),
            ticktext=[plain_text(shift.shift, 16) for shift in shown],
            range=[max(len(shown), 1) - 0.5, -0.5], showgrid=False, ticks="", showline=False,
            automargin=True, linecolor=GRID,
        ),
        meta="rows",
        height=AROUND + ROW * max(len(shown), 2),
        margin={"l": 60, "r": 12, "t": 62, "b": 12},
    )  # fmt: skip
    return Chart(
        name="conditions",
        title=_title(report),
        summary=_summary(report, len(shown)),
        tables=(_table(report), _totals(report)),
        figure=figure,
        least_width=LEAST_WIDTH,
    )


def _in_lines(heading: str) -> str:
    """Break a heading where it is wider than its column."""
    return "<br>".join(wrap(heading, LONGEST_LINE))


def _met(shift: ConditionsOfShift) -> tuple[list[str], ...]:
    """Return for each column what was met, a word each; an empty one has no name."""
    return (
        [""] * shift.cold_starts,
        list(shift.material_lots),
        [""] * shift.tool_changes,
        [one.name for one in shift.operators],
    )


def _box(met: Sequence[str]) -> str:
    """Say what is in a box: a sign that it was met, and the word or the number."""
    if not met:
        return NOT
    named = [word for word in met if word]
    if len(met) == 1:
        return f"✓ {plain_text(named[0], 12)}" if named else "✓"
    return f"✓ {len(met)}"


def _hover(shift: ConditionsOfShift, heading: str) -> str:
    lots = words.listed([lot or t("without a name") for lot in shift.material_lots])
    people = words.listed([one.name for one in shift.operators])
    said = t(
        "{cold} cold starts; lots: {lots}; {tools} tool changes; operators: {people}",
        cold=shift.cold_starts,
        lots=lots or NOT,
        tools=shift.tool_changes,
        people=people or NOT,
    )
    return f"{plain_text(shift.shift)}, {heading}<br>{plain_text(said, 120)}"


def _title(report: ConditionsReport) -> str:
    lacking = [total for total in report.totals if total.missing]
    asked = [total for total in report.totals if total.asked]
    if not report.shifts:
        return t("No shift with counted cycles, so no condition is met yet")
    if not asked:
        return t("No condition is required; {number} were met",
                 number=sum(total.met for total in report.totals[1:]))  # fmt: skip
    if not lacking:
        return t("Every condition that is required is covered")
    return t("Still missing: {conditions}", conditions=words.listed(
        [f"{t(total.condition)} {total.met} / {total.asked}" for total in lacking]))  # fmt: skip


def _summary(report: ConditionsReport, shown: int) -> str:
    each = [
        t("{condition}: {met}, {asked} required", condition=t(total.condition), met=total.met,
          asked=total.asked)
        if total.asked
        else t("{condition}: {met}, none required", condition=t(total.condition), met=total.met)
        for total in report.totals
    ]  # fmt: skip
    said = f"{'; '.join(each)}."
    said = said[:1].upper() + said[1:]
    if shown < len(report.shifts):
        return f"{said} " + t("Shown: the newest {shown} of {all} shifts.",
                              shown=shown, all=len(report.shifts))  # fmt: skip
    return said


def _totals(report: ConditionsReport) -> Table:
    return Table(
        name="conditions-required",
        caption=t("Conditions met, and how many are required"),
        columns=(
            Column("condition", t("condition")),
            Column("met", t("met"), "count"),
            Column("asked", t("required"), "count"),
            Column("missing", t("missing"), "count"),
        ),
        rows=tuple(
            (t(total.condition), total.met, total.asked, total.missing) for total in report.totals
        ),
    )


def _table(report: ConditionsReport) -> Table:
    shifts = report.shifts[-MOST_ROWS:]
    return Table(
        name="conditions-by-shift",
        caption=t("Conditions of each shift"),
        columns=(
            Column("shift", t("shift")),
            Column("opened_at", t("opened"), "moment"),
            Column("cycles", t("counted cycles"), "count"),
            Column("cold_starts", t("cold starts"), "count"),
            Column("material_lots", t("material lots")),
            Column("tool_changes", t("tool changes"), "count"),
            Column("operators", t("operators")),
        ),
        rows=tuple(
            (
                shift.shift, shift.opened_at, shift.cycles, shift.cold_starts,
                ", ".join(lot or t("without a name") for lot in shift.material_lots) or None,
                shift.tool_changes, ", ".join(one.name for one in shift.operators) or None,
            )
            for shift in shifts
        ),
        empty=t("No shift has a counted cycle yet."),
    )  # fmt: skip
