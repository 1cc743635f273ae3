"""The reports as data, or in any other form: the same documents as pages and commands have."""

from __future__ import annotations

from typing import Any, Literal

from flask import Response, stream_with_context
from pydantic import Field

from trialog.errors import NotAllowedError
from trialog.feeds.exporting import export_csv
from trialog.records.database import read_one_moment
from trialog.records.words import Scope
from trialog.reports.kinds import make, render
from trialog.web.api.access import current_client
from trialog.web.api.answers import Plain
from trialog.web.api.finding import cell_or_404, shift_or_404, trial_or_404
from trialog.web.api.operations import File, operation
from trialog.web.api.zones import ZoneQuery
from trialog.web.clock import now
from trialog.web.database import get_session, state
from trialog.web.sending import download


class ReportQuery(ZoneQuery):
    """How a report is wanted."""

    format: Literal["json", "html", "pdf", "xlsx", "csv"] = Field("json", description="Its form.")
    language: Literal["en", "es"] | None = Field(
        None, description="Its language; without it: the server's."
    )
    paper: Literal["a4", "letter"] = Field("a4", description="The paper of a PDF.")
    table: str | None = Field(
        None, max_length=60, description="The table that CSV holds; without it: the main one."
    )


def _report(kind: str, subject: Any, query: ReportQuery) -> Plain | Response:
    session = get_session()
    document = make(
        session,
        kind,
        subject,
        now=now(),
        zone=query.zone(),
        language=query.language or state().settings.language,
    )
    session.rollback()  # a browser may print for seconds: nothing of the records is held
    if query.format == "json":
        return Plain(document.data)
    return download(render(document, query.format, paper=query.paper, table=query.table))


@operation(
    "GET",
    "/shifts/<int:shift_id>/report",
    scope=Scope.READ,
    tag="Reports",
    gives="ShiftReport",
    query=ReportQuery,
    problems=(404, 501),
    also=File.REPORTS,
)
def shift_report(shift_id: int, query: ReportQuery) -> Plain | Response:
    """Return a shift's report."""
    return _report("shift", shift_or_404(shift_id), query)


@operation(
    "GET",
    "/trials/<int:trial_id>/report",
    scope=Scope.READ,
    tag="Reports",
    gives="TrialReport",
    query=ReportQuery,
    problems=(404, 501),
    also=File.REPORTS,
)
def trial_report(trial_id: int, query: ReportQuery) -> Plain | Response:
    """Return a trial's report."""
    return _report("trial", trial_or_404(trial_id), query)


@operation(
    "GET",
    "/trials/<int:trial_id>/evidence",
    scope=Scope.READ,
    tag="Reports",
    gives="EvidenceReport",
    query=ReportQuery,
    problems=(404, 501),
    also=File.REPORTS,
)
def evidence_report(trial_id: int, query: ReportQuery) -> Plain | Response:
    """Return what a trial's evidence rests on."""
    return _report("evidence", trial_or_404(trial_id), query)


@operation(
    "GET",
    "/cells/<int:cell_id>/report",
    scope=Scope.READ,
    tag="Reports",
    gives="CellReport",
    query=ReportQuery,
    problems=(404, 501),
    also=File.REPORTS,
)
def cell_report(cell_id: int, query: ReportQuery) -> Plain | Response:
    """Return whether a cell can be left alone, and for how long."""
    return _report("cell", cell_or_404(cell_id), query)


@operation(
    "GET",
    "/fleet/report",
    scope=Scope.READ,
    tag="Reports",
    gives="FleetReport",
    query=ReportQuery,
    problems=(501,),
    also=File.REPORTS,
)
def fleet_report(query: ReportQuery) -> Plain | Response:
    """Return how all cells stand."""
    if current_client().cell_id is not None:
        raise NotAllowedError("a client for one cell may not read the report on all cells")
    return _report("fleet", None, query)


@operation(
    "GET",
    "/cells/<int:cell_id>/log.csv",
    scope=Scope.READ,
    tag="Logbook",
    gives=None,
    problems=(404,),
    also=File.LOG,
)
def export_log(cell_id: int) -> Response:
    """Return a cell's whole logbook as a CSV file, which `trialog import` takes.

    It is sent as it is read, however long it is. All of it is of one moment.
    """
    cell_or_404(cell_id)
    session = get_session()
    session.rollback()
    read_one_moment(session)
    pieces = export_csv(session, cell_or_404(cell_id))
    return Response(stream_with_context(pieces), mimetype="text/csv")
