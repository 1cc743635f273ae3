"""The tables of a shift's report."""

from __future__ import annotations

from trialog.languages import t
from trialog.reports.shared_tables import (
    Fact,
    cell_facts,
    checks_tables,
    failures_table,
    rates_table,
    stop_facts,
    upright,
)
from trialog.reports.shift_report import Noted, ShiftReport
from trialog.reports.tables import Column, Table


def shift_tables(report: ShiftReport) -> tuple[Table, ...]:
    """Return all tables of a shift's report, the main one first."""
    return (
        rates_table("rates", t("This shift alone"), report.rates),
        *(
            rates_table(
                f"rates-trial-{item.trial_id}",
                t("Evidence so far: {trial}", trial=item.verdict.trial),
                item.rates,
            )
            for item in report.trials
        ),
        upright("facts", t("What ran"), *_facts(report)),
        failures_table(report.failures, with_shift=False),
        _trials(report),
        _operators(report),
        _noted("conditions", t("Conditions"), t("condition"), report.conditions, t("None marked.")),
        *checks_tables(report.spot_checks, with_shift=False),
        upright("counter", t("Machine counter"), *_counter(report)),
        stop_facts(report.interruptions),
        _stops(report),
        _tablets(report),
        _noted("notes", t("Notes"), t("kind"), report.notes, t("No notes.")),
    )


def _facts(report: ShiftReport) -> tuple[Fact, ...]:
    return (
        (Column("shift", t("shift")), report.shift),
        *cell_facts(report.cell),
        (Column("stage", t("stage")), t(report.stage)),
        (Column("opened_at", t("opened"), "moment"), report.opened_at),
        (Column("closed_at", t("closed"), "moment", missing=t("still open")), report.closed_at),
        (Column("duration", t("duration"), "length"), report.duration_seconds),
        (Column("logged", t("cycles logged"), "count"), report.logged),
        (Column("good", t("good"), "count"), report.good),
        (Column("failed", t("failed"), "count"), report.failed),
        (Column("no_tests", t("no-tests"), "count"), report.no_tests),
        (Column("parked", t("parked lines of the cell"), "count"), report.parked.lines),
    )


def _trials(report: ShiftReport) -> Table:
    none = t("not in its evidence")
    return Table(
        name="trials",
        caption=t("Trials of the stage, as they stood when the report was made"),
        columns=(
            Column("trial", t("trial")),
            Column("subject", t("subject"), aside="{value}"),
            Column("verdict", t("verdict")),
            Column("cycles", t("counted cycles"), "count"),
            Column("failures", t("relevant failures"), "count"),
            Column("upper", t("at most"), "rate_up"),
            Column("limit", t("limit"), "rate_down"),
            Column("proven_before", t("proven before the shift"), "stretch", missing=none),
            Column("proven_with", t("proven with it"), "stretch", missing=none),
            Column("proven", t("proven now"), "stretch", missing=t("no limit")),
            Column("required", t("required"), "length"),
        ),
        rows=tuple(
            (
                item.verdict.trial, item.verdict.subject, t(item.verdict.verdict),
                item.verdict.evidence.cycles, item.verdict.evidence.failures, item.verdict.upper,
                item.verdict.limit, item.proven_before_seconds, item.proven_with_seconds,
                item.verdict.proven_stretch_seconds, item.verdict.required_stretch_seconds,
            )
            for item in report.trials
        ),
        empty=t("No trial of this stage."),
    )  # fmt: skip


def _operators(report: ShiftReport) -> Table:
    return Table(
        name="operators",
        caption=t("Who logged"),
        columns=(
            Column("person", t("operator")),
            Column("logged", t("cycles logged"), "count"),
            Column("failed", t("failed"), "count"),
        ),
        rows=tuple((person.name, person.logged, person.failed) for person in report.operators),
        empty=t("not written down"),
    )


def _noted(name: str, caption: str, what: str, rows: tuple[Noted, ...], empty: str) -> Table:
    return Table(
        name=name,
        caption=caption,
        columns=(
            Column("at", t("time"), "moment"),
            Column("person", t("by"), missing="", aside="{value}"),
            Column("what", what),
            Column("text", t("what was written")),
        ),
        rows=tuple((row.at, row.person, t(row.what), row.text) for row in rows),
        head="what",
        empty=empty,
    )


def _counter(report: ShiftReport) -> tuple[Fact, ...]:
    counter = report.counter
    compared, worst = counter.compared, counter.worst
    return (
        (Column("opening", t("opening reading"), "count"), compared.opening),
        (Column("closing", t("closing reading"), "count"), compared.closing),
        (Column("logged", t("logged"), "count"), compared.logged),
        (Column("counted", t("counted by the machine"), "count"), compared.counted),
        (Column("unlogged", t("logged by nobody"), "count"), counter.unlogged),
        (Column("state", t("counter")), t(str(compared.state))),
        (Column("gap_cycles", t("counted since the shift before"), "count"), counter.gap_cycles),
        (Column("worst_cycles", t("cycles at worst"), "count"), worst.cycles),
        (Column("worst_failures", t("failed at worst"), "count"), worst.failures),
        (Column("worst_estimate", t("rate at worst"), "rate"), worst.estimate),
        (Column("worst_upper", t("rate at worst, at most"), "rate_up"), worst.upper),
    )


def _stops(report: ShiftReport) -> Table:
    return Table(
        name="stops",
        caption=t("Stops"),
        columns=(
            Column("at", t("time"), "moment"),
            Column("clear", t("cleared in"), "length", missing=t("not written down")),
            Column("person", t("by")),
            Column("text", t("what")),
        ),
        rows=tuple(
            (stop.at, stop.clear_seconds, stop.person, stop.text) for stop in report.stops.each
        ),
        empty=t("None logged."),
    )


def _tablets(report: ShiftReport) -> Table:
    return Table(
        name="tablets",
        caption=t("Tablets"),
        columns=(
            Column("tablet", t("tablet")),
            Column("lines", t("lines"), "count"),
            Column("cycles", t("cycles"), "count"),
            Column("unplaced_cycles", t("cycles of unknown place"), "count"),
            Column("words", t("in words")),
        ),
        rows=tuple(
            (tablet.name, tablet.lines, tablet.cycles, tablet.unplaced_cycles, tablet.words)
            for tablet in report.tablets
        ),
        empty=t("No tablet wrote a line of it."),
    )
