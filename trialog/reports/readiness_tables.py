"""The tables of a cell's report and of the fleet."""

from __future__ import annotations

from collections.abc import Sequence

from trialog.languages import listed, t
from trialog.reports import words
from trialog.reports.cell_report import CellReport
from trialog.reports.fleet_report import FleetReport
from trialog.reports.readiness_words import SIGN_OFF
from trialog.reports.shared_tables import Fact, cell_facts, upright
from trialog.reports.standings import CellStanding, StageStanding, TrialStanding
from trialog.reports.tables import Column, Table, Value


def cell_tables(report: CellReport) -> tuple[Table, ...]:
    """Return all tables of a cell's report, the main one first."""
    latest = report.stages_latest_first
    return (
        _stages(latest),
        _trials([trial for stage in latest for trial in stage.trials]),
        _attention(report),
        _shifts(report),
        upright("cell", t("The cell"), *_facts(report)),
    )


def fleet_tables(report: FleetReport) -> tuple[Table, ...]:
    """Return all tables of the fleet: the cells, and the trials behind them."""
    return (
        _cells(report.cells),
        _fleet_trials(report.cells),
    )


def _stages(stages: Sequence[StageStanding]) -> Table:
    confidence = words.chance(stages[0].confidence) if stages else ""
    return Table(
        name="stages",
        caption=t("The cell at each stage; what one stage proved does not count at another"),
        columns=(
            Column("stage", t("stage")),
            Column("verdict", t("verdict")),
            *_proven_columns(),
            Column("chance", t("chance of no stop"), "chance"),
            Column("upper", t("failure rate, at most"), "rate_up", confidence),
            Column("limit", t("limit"), "rate_down"),
            Column("weakest", t("weakest device")),
            *_missing_columns(),
            Column("bound", t("bounded"), on_page=False),
        ),
        rows=tuple(
            (
                t(one.stage), t(one.verdict), *_proven(one), one.chance, one.upper, one.limit,
                one.weakest, *_missing(one), one.bound_words,
            )
            for one in stages
        ),
        empty=t("No trial yet."),
    )  # fmt: skip


def _proven_columns() -> tuple[Column, ...]:
    return (
        Column("proven", t("proven stretch"), "stretch", missing=t("no limit")),
        Column("required", t("required stretch"), "length"),
    )


def _proven(one: StageStanding | TrialStanding) -> tuple[Value, ...]:
    return one.proven_stretch_seconds, one.required_stretch_seconds


def _missing_columns() -> tuple[Column, ...]:
    return (
        Column("cycles_to_go", t("clean cycles to go"), "count", missing=t("none lead to GO")),
        Column("shifts_to_go", t("shifts to go"), "count"),
        Column("missing", t("conditions missing")),
    )


def _missing(one: StageStanding | TrialStanding) -> tuple[Value, ...]:
    return one.clean_cycles_to_go, one.shifts_to_go, listed(list(one.missing)) or None


def _trials(trials: Sequence[TrialStanding]) -> Table:
    return Table(
        name="trials",
        caption=t("The trials that count, the newest of each subject"),
        columns=_trial_columns(),
        rows=tuple(_trial(one) for one in trials),
        empty=t("No trial yet."),
    )


def _trial_columns() -> tuple[Column, ...]:
    return (
        Column("trial", t("trial")),
        Column("subject", t("subject"), aside="{value}"),
        Column("stage", t("stage"), aside="{value}"),
        Column("verdict", t("verdict")),
        Column("cycles", t("counted cycles"), "count"),
        Column("failures", t("relevant failures"), "count"),
        Column("upper", t("failure rate, at most"), "rate_up"),
        Column("limit", t("limit"), "rate_down"),
        *_proven_columns(),
        *_missing_columns(),
        Column("sign_off", t("sign-off")),
        Column("sign_off_words", t("sign-off, in words"), on_page=False),
    )


def _trial(one: TrialStanding) -> tuple[Value, ...]:
    return (
        one.trial, one.subject, t(one.stage), t(one.verdict), one.cycles,
        one.failures, one.upper, one.limit, *_proven(one), *_missing(one),
        t(SIGN_OFF[one.sign_off.status]), one.sign_off.words,
    )  # fmt: skip


def _attention(report: CellReport) -> Table:
    return Table(
        name="attention",
        caption=t("The most pressing first"),
        columns=(Column("need", t("need")), Column("words", t("in words"))),
        rows=tuple((t(one.need), one.words) for one in report.attention),
    )


def _shifts(report: CellReport) -> Table:
    return Table(
        name="recent-shifts",
        caption=t("The newest shifts, with all cycles that they ran"),
        columns=(
            Column("shift", t("shift")),
            Column("stage", t("stage")),
            Column("opened_at", t("opened"), "moment"),
            Column("closed_at", t("closed"), "moment", missing=t("still open")),
            Column("logged", t("logged"), "count"),
            Column("counted", t("counted cycles"), "count"),
            Column("failed", t("failed"), "count"),
        ),
        rows=tuple(
            (
                one.shift, t(one.stage), one.opened_at, one.closed_at, one.logged, one.counted,
                one.failed,
            )
            for one in report.shifts
        ),
        empty=t("No shift yet."),
    )  # fmt: skip


def _facts(report: CellReport) -> tuple[Fact, ...]:
    last = report.last_change
    return (
        *cell_facts(report.cell),
        (Column("changed_at", t("last changed"), "moment", missing=t("the start")), last.at),
        (Column("changed", t("what changed")), last.what),
        (Column("changed_device", t("device"), missing=t("cell")), last.device),
        (
            Column("evidence", t("evidence")),
            t("reset") if last.resets_evidence else t("kept: {reason}", reason=last.reason),
        ),
    )


def _cells(cells: Sequence[CellStanding]) -> Table:
    return Table(
        name="cells",
        caption=t("All cells at the stage that counts now, the most pressing first"),
        columns=(
            Column("cell", t("cell")),
            Column("machine", t("machine"), on_page=False),
            Column("part", t("part"), on_page=False),
            Column("stage", t("stage")),
            Column("verdict", t("verdict")),
            Column("proven", t("proven stretch"), "stretch"),
            Column("required", t("required stretch"), "length"),
            Column("cycles_to_go", t("clean cycles to go"), "count"),
            Column("shifts_to_go", t("shifts to go"), "count"),
            Column("missing", t("conditions missing")),
            Column("attention", t("needs somebody for"), on_page=False),
        ),
        rows=tuple(_cell(one) for one in cells),
        empty=t("No cell yet."),
    )


def _cell(one: CellStanding) -> tuple[Value, ...]:
    needs, now = "; ".join(need.words for need in one.attention), one.now
    named = one.cell.name, one.cell.machine, one.cell.part
    if now is None:
        return *named, *[None] * 7, needs
    proven = t("no limit") if now.proven_stretch_seconds is None else now.proven_stretch_seconds
    required = now.required_stretch_seconds
    return *named, t(now.stage), t(now.verdict), proven, required, *_missing(now), needs


def _fleet_trials(cells: Sequence[CellStanding]) -> Table:
    return Table(
        name="trials",
        caption=t("The trials of all cells, the newest of each subject and stage"),
        columns=(Column("cell", t("cell")), *_trial_columns()),
        head="trial",
        rows=tuple(
            (one.cell.name, *_trial(trial))
            for one in cells
            for stage in one.stages
            for trial in stage.trials
        ),
        empty=t("No trial yet."),
    )
