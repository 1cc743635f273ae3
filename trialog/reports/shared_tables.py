"""Tables that more than one kind of report has."""

from __future__ import annotations

from collections.abc import Sequence

from trialog.evidence import Verdict
from trialog.languages import t, tn
from trialog.reports import words
from trialog.reports.failures import FailureLine
from trialog.reports.interruptions import StopFigures
from trialog.reports.particulars import Particulars
from trialog.reports.rates import RateRow
from trialog.reports.spot_checks import CheckReport
from trialog.reports.tables import Column, Table, Value

Fact = tuple[Column, Value]
"""One value of an upright table, under its column."""


def upright(name: str, caption: str, *facts: Fact) -> Table:
    """Make a table of one row, which is read downwards."""
    columns, row = zip(*facts, strict=True)
    return Table(name, caption, columns, (row,), upright=True)


def cell_facts(cell: Particulars) -> tuple[Fact, ...]:
    """Return the facts that tell which cell a report is about."""
    return (
        (Column("cell", t("cell")), cell.name),
        (Column("machine", t("machine")), cell.machine),
        (Column("part", t("part")), cell.part),
        (Column("operation", t("operation")), cell.operation),
        (
            Column("planned_cycle", t("planned cycle"), "length"),
            cell.planned_cycle_seconds,
        ),
    )


def verdict_facts(verdict: Verdict) -> tuple[Fact, ...]:
    """Return where a trial stands, in numbers."""
    evidence, bounds = verdict.evidence, verdict.bounds
    at_most = t("at most, at {confidence} confidence", confidence=words.chance(bounds.confidence))
    return (
        (Column("verdict", t("verdict")), t(verdict.verdict)),
        (Column("cycles", t("counted cycles"), "count"), evidence.cycles),
        (Column("failures", t("relevant failures"), "count"), evidence.failures),
        (Column("no_tests", t("no-tests"), "count"), evidence.no_tests),
        (Column("estimate", t("failure rate"), "rate"), bounds.estimate),
        (Column("upper", at_most, "rate_up"), verdict.upper),
        (Column("limit", t("limit"), "rate_down"), verdict.limit),
        (
            Column("proven", t("proven stretch"), "stretch", missing=t("no limit")),
            verdict.proven_stretch_seconds,
        ),
        (
            Column("required", t("required stretch"), "length"),
            verdict.required_stretch_seconds,
        ),
        (
            Column(
                "clean_cycles_to_go", t("clean cycles to go"), "count", missing=t("none lead to GO")
            ),
            verdict.clean_cycles_to_go,
        ),
        (Column("shifts_to_go", t("shifts to go"), "count"), verdict.shifts_to_go),
    )


def rates_table(name: str, caption: str, rows: Sequence[RateRow]) -> Table:
    """Return failure rates with their bounds, a row for each subject."""
    bound = words.chance(rows[0].confidence) if rows else ""
    interval = words.chance(rows[0].interval_confidence) if rows else ""
    return Table(
        name=name,
        caption=caption,
        columns=(
            Column("subject", t("subject")),
            Column("effect", t("effect"), missing="", aside="{value}"),
            Column("unruled", t("not ruled on"), "count", aside=t("{value} not ruled on")),
            Column("cycles", t("cycles"), "count"),
            Column("failures", t("relevant failures"), "count"),
            Column("no_tests", t("no-tests"), "count"),
            Column("estimate", t("rate"), "rate"),
            Column("upper", t("at most"), "rate_up", bound),
            Column("one_in", t("at most, as one in"), aside="{value}"),
            Column("interval_lower", t("interval from"), "rate_down", interval),
            Column("interval_upper", t("interval to"), "rate_up", interval, aside=t("to {value}")),
            Column("level", t("level"), on_page=False),
            Column("device", t("device"), missing="", on_page=False),
        ),
        rows=tuple(
            (
                row.name, None if row.effect is None else t(row.effect), row.unruled, row.cycles,
                row.failures, row.no_tests, row.estimate, row.upper, words.one_in(row.upper),
                row.interval_lower, row.interval_upper, t(row.level), row.device,
            )
            for row in rows
        ),
        empty=t("The cell has no devices yet."),
    )  # fmt: skip


def failures_table(lines: Sequence[FailureLine], *, with_shift: bool) -> Table:
    """Return a line for each failure mode seen on a failed cycle."""
    shift = (Column("shift", t("shift")),) if with_shift else ()
    return Table(
        name="failures",
        caption=tn(
            "{number} failure, a line for each failure mode seen",
            "{number} failures, a line for each failure mode seen",
            len(lines),
        ),
        columns=(
            *shift,
            Column("cycle", t("cycle"), "count"),
            Column("at", t("time"), "moment"),
            Column("person", t("seen by"), missing="", aside="{value}"),
            Column("mode", t("failure mode")),
            Column("device", t("device")),
            Column("effect", t("effect")),
            Column("ruling", t("ruling")),
            Column("ruled_because", t("reason of the ruling"), aside="{value}"),
            Column("note", t("note")),
        ),
        rows=tuple(
            (
                *((line.shift,) if with_shift else ()),
                line.cycle, line.at, line.person, line.mode, line.device, t(line.effect),
                t(line.ruling), line.ruled_because, line.note,
            )
            for line in lines
        ),
        head="mode",
        empty=t("None."),
    )  # fmt: skip


def checks_tables(checks: CheckReport, *, with_shift: bool) -> tuple[Table, ...]:
    """Return what spot checks come to, and their lines; nothing where there were none."""
    if not checks.each:
        return ()
    found = upright(
        "spot-check-totals",
        t("Spot checks"),
        (Column("watched", t("cycles watched"), "count"), checks.watched),
        (Column("seen", t("failures seen"), "count"), checks.seen),
        (Column("missed", t("not in the log"), "count"), checks.missed),
        *_unlogged(checks),
    )
    return found, _check_lines(checks, with_shift=with_shift)


def _unlogged(checks: CheckReport) -> tuple[Fact, ...]:
    """Return how many failures may go unlogged, which only failures that were seen can tell."""
    if not checks.seen:
        return ()
    confidence = words.chance(checks.confidence)
    at_most = Column("missed_upper", t("go unlogged, at most"), "rate_up", confidence)
    allowing = Column("upper_with_misses", t("failure rate allowing for that, at most"), "rate_up")
    of_trial = checks.upper_with_misses is not None
    return (
        (at_most, checks.missed_upper),
        *(((allowing, checks.upper_with_misses),) if of_trial else ()),
    )


def _check_lines(checks: CheckReport, *, with_shift: bool) -> Table:
    shift = (Column("shift", t("shift")),) if with_shift else ()
    return Table(
        name="spot-checks",
        caption=tn(
            "{number} line of spot checks",
            "{number} lines of spot checks",
            len(checks.each),
        ),
        columns=(
            *shift,
            Column("at", t("time"), "moment"),
            Column("person", t("by")),
            Column("cycles", t("cycles"), "count"),
            Column("cycle", t("cycle"), "count"),
            Column("seen", t("seen")),
            Column("found", t("found")),
        ),
        rows=tuple(
            (
                *((line.shift,) if with_shift else ()),
                line.at, line.person, line.cycles, line.cycle,
                words.listed(list(line.modes)) or t("no failure"), t(line.found),
            )
            for line in checks.each
        ),
    )  # fmt: skip


def stop_facts(figures: StopFigures) -> Table:
    """Return what stops come to, beside failures."""
    ends = words.chance(figures.confidence)
    share = words.chance(figures.percentile)
    return upright(
        "interruptions",
        t("Stops, and the time they take; bounds at {confidence} confidence", confidence=ends),
        (Column("stops", t("stops"), "count"), figures.stops),
        (Column("timed", t("stops with a clear time"), "count"), figures.timed),
        (Column("logged", t("cycles logged"), "count"), figures.logged),
        (Column("mean_clear", t("mean clear time"), "length"), figures.mean_seconds),
        (Column("mean_clear_lower", t("mean clear time, from"), "length"), figures.mean_lower),
        (Column("mean_clear_upper", t("mean clear time, to"), "length"), figures.mean_upper),
        (
            Column("cleared_within", t("{share} cleared within", share=share), "length"),
            figures.percentile_seconds,
        ),
        (
            Column(
                "cleared_within_lower", t("{share} cleared within, from", share=share), "length"
            ),
            figures.percentile_lower,
        ),
        (
            Column("cleared_within_upper", t("{share} cleared within, to", share=share), "length"),
            figures.percentile_upper,
        ),
        *_availability(figures),
        *_between(figures),
    )


def _availability(figures: StopFigures) -> tuple[Fact, ...]:
    return (
        (Column("availability", t("availability"), "rate"), figures.availability),
        (
            Column("availability_lower", t("availability, from"), "rate_down"),
            figures.availability_lower,
        ),
        (
            Column("availability_upper", t("availability, to"), "rate_up"),
            figures.availability_upper,
        ),
    )


def _between(figures: StopFigures) -> tuple[Fact, ...]:
    stop, failure = t("cycles per stop"), t("cycles per failure")
    low, high = t("{what}, from"), t("{what}, to")
    return (
        (Column("cycles_per_stop", stop, "number"), figures.cycles_per_stop),
        (
            Column("cycles_per_stop_lower", t(low, what=stop), "number_down"),
            figures.cycles_per_stop_lower,
        ),
        (
            Column("cycles_per_stop_upper", t(high, what=stop), "number_up"),
            figures.cycles_per_stop_upper,
        ),
        (Column("failures", t("relevant failures"), "count"), figures.failures),
        (Column("cycles", t("counted cycles"), "count"), figures.cycles),
        (Column("cycles_per_failure", failure, "number"), figures.cycles_per_failure),
        (
            Column("cycles_per_failure_lower", t(low, what=failure), "number_down"),
            figures.cycles_per_failure_lower,
        ),
        (
            Column("cycles_per_failure_upper", t(high, what=failure), "number_up"),
            figures.cycles_per_failure_upper,
        ),
    )
