"""The tables of a trial's report."""

from __future__ import annotations

from trialog.evidence.plan_words import plan_words
from trialog.languages import t, tn
from trialog.reports.shared_tables import (
    Fact,
    cell_facts,
    checks_tables,
    failures_table,
    rates_table,
    upright,
    verdict_facts,
)
from trialog.reports.tables import Column, Table
from trialog.reports.trial_report import TrialReport


def trial_tables(report: TrialReport) -> tuple[Table, ...]:
    """Return all tables of a trial's report, the main one first."""
    return (
        rates_table("rates", t("Evidence so far"), report.rates),
        upright("facts", t("Where the trial stands"), *_facts(report)),
        _lines(report),
        _history(report),
        *checks_tables(report.spot_checks, with_shift=True),
        upright("requirement", t("Requirement and plan"), *_requirement(report)),
        _chain(report),
        _shifts(report),
        _revisions(report),
        failures_table(report.failures, with_shift=True),
        _acknowledged(report),
        _sign_offs(report),
    )


def _facts(report: TrialReport) -> tuple[Fact, ...]:
    return (
        (Column("trial", t("trial")), report.trial),
        (Column("subject", t("subject")), report.subject),
        *cell_facts(report.cell),
        (Column("stage", t("stage")), t(report.stage)),
        (Column("begins_at", t("counts from"), "moment"), report.begins_at),
        *verdict_facts(report.verdict),
        (Column("sign_off", t("sign-off")), report.sign_off.words),
    )


def _requirement(report: TrialReport) -> tuple[Fact, ...]:
    stated, plan = report.requirement, report.verdict.plan
    return (
        (Column("requirement", t("requirement")), stated.name),
        (Column("stretch", t("required stretch"), "length"), stated.stretch_hours * 3600),
        (Column("cycle", t("planned cycle"), "length"), stated.cycle_seconds),
        (Column("stretch_cycles", t("cycles in that stretch"), "count"), stated.stretch_cycles),
        (Column("chance", t("chance of no stop"), "chance"), stated.chance),
        (Column("confidence", t("confidence"), "chance"), stated.confidence),
        (Column("cell_limit", t("limit of the whole cell"), "rate_down"), stated.cell_limit),
        (Column("share", t("share of the cell's allowance"), "chance"), stated.share),
        (Column("limit", t("limit"), "rate_down"), stated.limit),
        (Column("design_rate", t("design rate"), "rate"), stated.design_rate),
        (Column("plan", t("plan")), plan_words(plan)),
        (
            Column("pass_chance_at_limit", t("chance of GO at the limit"), "share"),
            stated.pass_chance_at_limit,
        ),
        (
            Column("pass_chance_at_design", t("chance of GO at the design rate"), "share"),
            stated.pass_chance_at_design,
        ),
        (Column("fixed_at", t("fixed"), "moment"), report.fixed.at),
        (Column("first_cycle_at", t("first counted cycle"), "moment"), report.fixed.first_cycle_at),
    )


def _lines(report: TrialReport) -> Table:
    return Table(
        name="lines",
        caption=t("The verdict, line by line"),
        columns=(
            Column("line", t("what must hold")),
            Column("met", t("met?")),
            Column("detail", t("its figure")),
        ),
        rows=tuple(
            (reason.name, t("met") if reason.met else t("not met"), reason.detail)
            for reason in report.verdict.reasons
        ),
    )


def _history(report: TrialReport) -> Table:
    return Table(
        name="verdicts",
        caption=tn(
            "{number} verdict noted: each differed from the one before in its word or in the "
            "lines that hold",
            "{number} verdicts noted: each differed from the one before in its word or in the "
            "lines that hold",
            len(report.history),
        ),
        columns=(
            Column("at", t("noted"), "moment"),
            Column("verdict", t("verdict")),
            Column("cycles", t("counted cycles"), "count"),
            Column("failures", t("relevant failures"), "count"),
            Column("proven", t("proven"), "stretch", missing=t("no limit")),
            Column("changed", t("what changed")),
        ),
        rows=tuple(
            (row.at, t(row.verdict), row.cycles, row.failures, row.proven_seconds, row.changed)
            for row in report.history
        ),
        head="verdict",
        empty=t(
            "Nothing was noted yet. A verdict is noted when a shift closes, and after rulings, "
            "corrections and the like, where it is not what it was."
        ),
    )


def _chain(report: TrialReport) -> Table:
    return Table(
        name="chain",
        caption=t("Trials before and after"),
        columns=(
            Column("order", t("order")),
            Column("trial", t("trial")),
            Column("stage", t("stage")),
            Column("verdict", t("verdict")),
            Column("cycles", t("counted cycles"), "count"),
            Column("failures", t("relevant failures"), "count"),
        ),
        rows=tuple(
            (order, one.trial, t(one.stage), t(one.verdict), one.cycles, one.failures)
            for order, others in ((t("before"), report.former), (t("after"), report.later))
            for one in others
        ),
        head="trial",
        empty=t("None."),
    )


def _shifts(report: TrialReport) -> Table:
    return Table(
        name="shifts",
        caption=t(
            "Shifts that hold evidence. Logged: all cycles of the shift; counted cycles: those in "
            "this evidence"
        ),
        columns=(
            Column("shift", t("shift")),
            Column("opened_at", t("opened"), "moment"),
            Column("closed_at", t("closed"), "moment"),
            Column("logged", t("logged"), "count"),
            Column("cycles", t("counted cycles"), "count"),
            Column("failures", t("relevant failures"), "count"),
            Column("no_tests", t("no-tests"), "count"),
            Column("counted", t("machine counter"), "count"),
            Column("counter", t("log against the counter"), aside="{value}"),
        ),
        rows=tuple(
            (
                row.shift, row.opened_at, row.closed_at, row.logged, row.cycles, row.failures,
                row.no_tests, row.counted, t(row.counter),
            )
            for row in report.shifts
        ),
        empty=t("No shift holds evidence yet."),
    )  # fmt: skip


def _revisions(report: TrialReport) -> Table:
    return Table(
        name="changes",
        caption=t("Changes that concern {subject}", subject=report.subject),
        columns=(
            Column("at", t("since"), "moment"),
            Column("device", t("device"), missing=t("cell")),
            Column("what", t("what changed")),
            Column("evidence", t("evidence")),
            Column("reason", t("why"), aside="{value}"),
            Column("in_evidence", t("in this evidence"), aside="{value}"),
        ),
        rows=tuple(
            (
                row.at, row.device, row.what, t("reset") if row.resets_evidence else t("kept"),
                row.reason, t("in this evidence") if row.in_evidence else None,
            )
            for row in report.revisions
        ),
        head="what",
    )  # fmt: skip


def _acknowledged(report: TrialReport) -> Table:
    return Table(
        name="acknowledged",
        caption=t("Acknowledged in writing"),
        columns=(
            Column("kind", t("what")),
            Column("person", t("person")),
            Column("at", t("when"), "moment"),
            Column("text", t("words")),
        ),
        rows=tuple((t(row.kind), row.person, row.at, row.text) for row in report.acknowledgements),
        empty=t("Nothing yet."),
    )


def _sign_offs(report: TrialReport) -> Table:
    return Table(
        name="sign-offs",
        caption=t("Sign-offs"),
        columns=(
            Column("at", t("when"), "moment"),
            Column("person", t("person")),
            Column("role", t("role")),
            Column("decision", t("decision")),
            Column("state", t("state")),
            Column("statement", t("statement")),
            Column("document_hash", t("SHA-256 of the frozen verdict")),
        ),
        rows=tuple(
            (
                row.at, row.person, t(row.role), t(row.decision), t(row.state), row.statement,
                row.document_hash,
            )
            for row in report.sign_offs
        ),
        head="person",
        empty=t("Nobody has signed or refused."),
    )  # fmt: skip
