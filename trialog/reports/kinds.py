"""The kinds of reports, and the forms that each can be had in: one registry for all who ask.

Pages, commands, kept reports and tests go through here, so that a report says the same wherever
it is read.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any, Protocol

from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.languages import counted, current, speaking, t
from trialog.records.base import Base
from trialog.records.models import Cell, Shift, Trial
from trialog.reports.cell_report import CellReport, build_cell_report, cell_report_as_dict
from trialog.reports.csv_form import as_csv
from trialog.reports.document import Document, File, Options, Paper
from trialog.reports.documents import complete, frame
from trialog.reports.evidence_report import (
    EvidenceReport,
    build_evidence_report,
    evidence_report_as_dict,
)
from trialog.reports.evidence_tables import evidence_tables
from trialog.reports.figures import Chart
from trialog.reports.fleet_report import (
    FleetReport,
    build_fleet_report,
    fleet_report_as_dict,
)
from trialog.reports.printing import print_pdf
from trialog.reports.readiness_tables import cell_tables, fleet_tables
from trialog.reports.shift_report import (
    ShiftReport,
    build_shift_report,
    shift_report_as_dict,
)
from trialog.reports.shift_tables import shift_tables
from trialog.reports.tables import Table
from trialog.reports.trial_report import (
    TrialReport,
    build_trial_report,
    trial_report_as_dict,
)
from trialog.reports.trial_tables import trial_tables
from trialog.reports.workbook import as_xlsx


class Report(Protocol):
    """What every report holds, whatever it is about."""

    @property
    def sentence(self) -> str: ...
    @property
    def produced_at(self) -> datetime: ...
    @property
    def zone(self) -> str: ...
    @property
    def clock(self) -> tzinfo: ...
    @property
    def cautions(self) -> tuple[str, ...]: ...
    @property
    def methods(self) -> tuple[str, ...]: ...


def _nothing(_: Any) -> tuple[Any, ...]:
    return ()


@dataclass(frozen=True)
class Kind:
    """One kind of report.

    `model` is what it is about, None where that is all of the records; `build` makes it. The
    rest are functions of a report: `about` says in a few words where it is from, `stem` names
    its files.
    """

    name: str
    model: type[Base] | None
    report: type[Any]
    build: Callable[..., Any]
    template: str
    title: Callable[[Any], str]
    about: Callable[[Any], str]
    stem: Callable[[Any], str]
    as_dict: Callable[[Any], dict[str, Any]]
    charts: Callable[[Any], tuple[Chart, ...]] = _nothing
    tables: Callable[[Any], tuple[Table, ...]] = _nothing


def _of_cell(report: Any) -> str:
    cell = report.cell
    return f"{cell.name} · {cell.machine} · {cell.part}"


KINDS = {
    kind.name: kind
    for kind in (
        Kind(
            name="shift",
            model=Shift,
            report=ShiftReport,
            build=build_shift_report,
            template="reports/shift_document.html",
            title=lambda report: t(
                "Shift {shift}, {cell}", shift=report.shift, cell=report.cell.name
            ),
            about=_of_cell,
            stem=lambda report: f"shift-{report.shift_id}",
            charts=lambda report: report.charts,
            as_dict=shift_report_as_dict,
            tables=shift_tables,
        ),
        Kind(
            name="trial",
            model=Trial,
            report=TrialReport,
            build=build_trial_report,
            template="reports/trial_document.html",
            title=lambda report: t(
                "Trial {trial}, {subject}", trial=report.trial, subject=report.subject
            ),
            about=_of_cell,
            stem=lambda report: f"trial-{report.trial_id}",
            charts=lambda report: report.charts,
            as_dict=trial_report_as_dict,
            tables=trial_tables,
        ),
        Kind(
            name="evidence",
            model=Trial,
            report=EvidenceReport,
            build=build_evidence_report,
            template="reports/evidence_document.html",
            title=lambda report: t(
                "Evidence of {trial}, {subject}", trial=report.trial, subject=report.subject
            ),
            about=_of_cell,
            stem=lambda report: f"evidence-{report.trial_id}",
            charts=lambda report: report.charts,
            as_dict=evidence_report_as_dict,
            tables=evidence_tables,
        ),
        Kind(
            name="cell",
            model=Cell,
            report=CellReport,
            build=build_cell_report,
            template="reports/cell_document.html",
            title=lambda report: t("Readiness of {cell}", cell=report.cell.name),
            about=_of_cell,
            stem=lambda report: f"cell-{report.cell_id}",
            charts=lambda report: report.charts,
            as_dict=cell_report_as_dict,
            tables=cell_tables,
        ),
        Kind(
            name="fleet",
            model=None,
            report=FleetReport,
            build=build_fleet_report,
            template="reports/fleet_document.html",
            title=lambda _: t("All cells"),
            about=lambda report: counted(len(report.cells), "cell"),
            stem=lambda _: "fleet",
            as_dict=fleet_report_as_dict,
            tables=fleet_tables,
        ),
    )
}
"""Every kind of report, by its name."""


def kind_of(report: Report) -> Kind:
    """Return the kind of a report."""
    return next(kind for kind in KINDS.values() if isinstance(report, kind.report))


def context(report: Report) -> dict[str, Any]:
    """Return what a report's body needs to be written, on a page and in a document."""
    kind = kind_of(report)
    return {
        "report": report,
        "clock": report.clock,
        "charts": {chart.name: chart for chart in kind.charts(report)},
        "tables": {table.name: table for table in kind.tables(report)},
    }


def document(report: Report) -> Document:
    """Turn a report into a document in the language spoken."""
    kind = kind_of(report)
    title, about = kind.title(report), kind.about(report)
    context_of_all = context(report)
    return Document(
        kind=kind.name,
        stem=kind.stem(report),
        title=title,
        about=about,
        sentence=report.sentence,
        language=current(),
        produced_at=report.produced_at,
        clock=report.clock,
        zone=report.zone,
        html=frame(kind.template, {**context_of_all, "title": title, "about": about}),
        tables=all_tables(kind, report),
        data=kind.as_dict(report),
        cautions=report.cautions,
        methods=report.methods,
    )


def all_tables(kind: Kind, report: Report) -> tuple[Table, ...]:
    """Return a report's tables, then those of its charts that are not among them by name."""
    own = kind.tables(report)
    names = {table.name for table in own}
    charts = (table for chart in kind.charts(report) for table in chart.tables)
    return (*own, *(table for table in charts if table.name not in names))


def make(
    session: Session, name: str, subject: Any, *, now: datetime, zone: tzinfo, language: str = "en"
) -> Document:
    """Build the report of a kind about something, as a document in a language.

    Raises
    ------
    InvalidValueError
        If there is no such language.
    """
    kind = KINDS[name]
    about = () if kind.model is None else (subject,)
    with speaking(language):
        return document(kind.build(session, *about, now=now, zone=zone))


@dataclass(frozen=True)
class Form:
    """A form that documents can be had in."""

    name: str
    media_type: str
    make: Callable[[Document, Options], bytes]


def _html(document: Document, _: Options) -> bytes:
    return complete(document.html).encode()


def _pdf(document: Document, options: Options) -> bytes:
    return print_pdf(document, options.paper)


def _xlsx(document: Document, _: Options) -> bytes:
    return as_xlsx(document)


def _csv(document: Document, options: Options) -> bytes:
    return as_csv(document.table(options.table), document.clock)


def _json(document: Document, _: Options) -> bytes:
    return json_text(document.data).encode()


FORMS = {
    form.name: form
    for form in (
        Form("html", "text/html", _html),
        Form("pdf", "application/pdf", _pdf),
        Form("xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", _xlsx),
        Form("csv", "text/csv", _csv),
        Form("json", "application/json", _json),
    )
}
"""Every form, by its name, which is also the ending of its files."""


def json_text(data: Any) -> str:
    """Write data as JSON that a person can read too, and every reader takes: no NaN."""
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def render(document: Document, form: str, *, paper: Paper = "a4", table: str | None = None) -> File:
    """Write a document in a form.

    `paper` is for a PDF, `table` names the one table that CSV holds (default: the main one).

    Raises
    ------
    InvalidValueError
        If there is no such form or table, or no browser that could print.
    """
    if form not in FORMS:
        raise InvalidValueError("format", f"be one of {', '.join(FORMS)}", form)
    chosen = FORMS[form]
    with speaking(document.language):
        content = chosen.make(document, Options(paper, table))
    stem = f"{document.stem}-{table}" if table else document.stem
    return File(f"{stem}.{form}", chosen.media_type, content)


def html_of(report: Report) -> str:
    """Return a report as one file of HTML that can be opened."""
    return complete(document(report).html)
