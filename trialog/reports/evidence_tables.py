"""The tables of what a trial's evidence rests on."""

from __future__ import annotations

from trialog.languages import t
from trialog.reports import words
from trialog.reports.conditions import ConditionsOfShift, ConditionsReport
from trialog.reports.evidence_report import EvidenceReport
from trialog.reports.reconciliation import Reconciled
from trialog.reports.revisions import RevisionHistory, RevisionPeriod
from trialog.reports.shared_tables import Fact, cell_facts, stop_facts, upright
from trialog.reports.tables import Column, Table


def evidence_tables(report: EvidenceReport) -> tuple[Table, ...]:
    """Return all tables of what a trial's evidence rests on, the main one first."""
    return (
        history_table(report.revisions),
        upright("facts", t("What the evidence is of"), *_facts(report)),
        _comparisons(report.revisions),
        upright("counter", t("The log against the machine counter"), *_counter(report.counter)),
        _counted_shifts(report.counter),
        _conditions(report.conditions),
        _totals(report.conditions),
        stop_facts(report.interruptions),
    )


def _facts(report: EvidenceReport) -> tuple[Fact, ...]:
    return (
        (Column("trial", t("trial")), report.trial),
        (Column("subject", t("subject")), report.subject),
        *cell_facts(report.cell),
        (Column("stage", t("stage")), t(report.stage)),
        (Column("verdict", t("verdict")), t(report.verdict)),
        (Column("since", t("began on"), "moment", missing=t("never reset")), report.since),
        (Column("since_what", t("with")), report.since_what),
    )


def history_table(history: RevisionHistory) -> Table:
    """Return one subject's failures under each of its revisions."""
    return Table(
        name="revisions",
        caption=t(
            "Failures of {subject} under each revision, {stage}",
            subject=history.subject,
            stage=t(history.stage),
        ),
        columns=(
            Column("at", t("since"), "moment", missing=t("the start")),
            Column("what", t("what changed")),
            Column("device", t("device"), missing="", aside="{value}"),
            Column("evidence", t("what it does to the evidence"), missing="", aside="{value}"),
            Column("reason", t("why"), missing="", aside="{value}"),
            Column("person", t("recorded by"), missing="", aside=t("recorded by {value}")),
            Column("filename", t("photo or file"), missing="", aside="{value}"),
            Column("cycles", t("cycles"), "count"),
            Column("failures", t("relevant failures"), "count"),
            Column("no_tests", t("no-tests"), "count"),
            Column("estimate", t("rate"), "rate"),
            Column("upper", t("at most"), "rate_up", words.chance(history.confidence)),
        ),
        rows=tuple(
            (
                period.at, period.what, period.device, _effect(period), period.reason,
                period.person, period.filename, period.cycles, period.failures, period.no_tests,
                period.estimate, period.upper,
            )
            for period in history.periods
        ),
        head="what",
    )  # fmt: skip


def _effect(period: RevisionPeriod) -> str | None:
    if not period.at:
        return None
    return t("resets the evidence") if period.resets_evidence else t("keeps the evidence")


def _comparisons(history: RevisionHistory) -> Table:
    interval = words.chance(history.interval_confidence)
    return Table(
        name="comparisons",
        caption=t("Before and after each change"),
        columns=(
            Column("changes", t("what changed")),
            Column("failures_before", t("failures before"), "count"),
            Column("cycles_before", t("cycles before"), "count"),
            Column("failures_after", t("failures after"), "count"),
            Column("cycles_after", t("cycles after"), "count"),
            Column("ratio", t("rate before by rate after"), "number"),
            Column("ratio_lower", t("ratio from"), "number_down", interval),
            Column("ratio_upper", t("ratio to"), "number_up", interval),
            Column("p_value", t("p value"), "number"),
            Column("words", t("in words")),
        ),
        rows=tuple(
            (
                words.listed(list(one.changes)), one.failures_before, one.cycles_before,
                one.failures_after, one.cycles_after, one.ratio, one.ratio_lower, one.ratio_upper,
                one.p_value, one.words,
            )
            for one in history.comparisons
        ),
        empty=t("Nothing to compare yet."),
    )  # fmt: skip


def _counter(counter: Reconciled) -> tuple[Fact, ...]:
    worst = counter.worst_case
    facts: tuple[Fact, ...] = (
        (Column("logged", t("logged"), "count"), counter.logged),
        (Column("counted", t("counted by the machine"), "count"), counter.counted),
        (Column("unlogged", t("logged by nobody"), "count"), counter.unlogged),
        (Column("between", t("counted between shifts"), "count"), counter.cycles_between_shifts),
    )
    if worst is None:
        return facts
    return (
        *facts,
        (Column("worst_cycles", t("cycles at worst"), "count"), worst.cycles),
        (Column("worst_failures", t("failed at worst"), "count"), worst.failures),
        (Column("worst_estimate", t("rate at worst"), "rate"), worst.estimate),
        (Column("worst_upper", t("failure rate at worst, at most"), "rate_up"), worst.upper),
        (Column("worst_verdict", t("verdict at worst")), t(worst.verdict)),
    )


def _counted_shifts(counter: Reconciled) -> Table:
    return Table(
        name="counter-shifts",
        caption=t(
            "Shifts against the machine counter. At worst: each unlogged cycle a failure of the "
            "subject"
        ),
        columns=(
            Column("shift", t("shift")),
            Column("logged", t("logged"), "count"),
            Column("counted", t("counted"), "count"),
            Column("unlogged", t("unlogged"), "count"),
            Column("state", t("counter")),
            Column("failures", t("failed"), "count"),
            Column("cycles", t("of counted cycles"), "count"),
            Column("worst_failures", t("failed at worst"), "count"),
            Column("worst_cycles", t("of cycles at worst"), "count"),
            Column("worst_estimate", t("rate at worst"), "rate"),
            Column("worst_upper", t("rate at worst, at most"), "rate_up"),
        ),
        rows=tuple(
            (
                row.shift, row.logged, row.counted, row.unlogged, t(str(row.state)), row.failures,
                row.cycles, row.worst.failures, row.worst.cycles, row.worst.estimate,
                row.worst.upper,
            )
            for row in counter.shifts
        ),
        empty=t("No shift holds evidence yet."),
    )  # fmt: skip


def _conditions(conditions: ConditionsReport) -> Table:
    return Table(
        name="conditions",
        caption=t("Which shift met which condition"),
        columns=(
            Column("shift", t("shift")),
            Column("opened_at", t("opened"), "moment", aside="{value}"),
            Column("cycles", t("counted cycles"), "count"),
            Column("cold_starts", t("cold starts"), "count"),
            Column("material_lots", t("material lots")),
            Column("tool_changes", t("tool changes"), "count"),
            Column("operators", t("who logged"), missing=t("not written down")),
            Column("other_operators", t("another operator was marked"), "count",
                   aside=t("another operator was marked: {value}")),
        ),
        rows=tuple(
            (
                row.shift, row.opened_at, row.cycles, row.cold_starts, _lots(row),
                row.tool_changes, _people(row), row.other_operators,
            )
            for row in conditions.shifts
        ),
        empty=t("No shift holds evidence yet."),
    )  # fmt: skip


def _lots(row: ConditionsOfShift) -> str | None:
    return ", ".join(lot or t("not named") for lot in row.material_lots) or None


def _people(row: ConditionsOfShift) -> str | None:
    said = (f"{one.name} ({words.counted(one.logged, 'cycle')})" for one in row.operators)
    return ", ".join(said) or None


def _totals(conditions: ConditionsReport) -> Table:
    return Table(
        name="conditions-asked",
        caption=t("Against the requirement"),
        columns=(
            Column("condition", t("condition")),
            Column("met", t("met"), "count"),
            Column("asked", t("asked"), "count"),
            Column("missing", t("missing"), "count"),
        ),
        rows=tuple(
            (t(row.condition), row.met, row.asked or None, row.missing or None)
            for row in conditions.totals
        ),
    )
