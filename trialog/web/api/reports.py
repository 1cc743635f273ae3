"""The reports as data, or in any other form: the same documents as pages and commands have."""

from __future__ import annotations

from functools import partial
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


_reporting = partial(
    operation, "GET", scope=Scope.READ, tag="Reports", query=ReportQuery, also=File.REPORTS
)
"""Makes a function the view of a report."""


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


@_reporting("/shifts/<int:shift_id>/report", gives="ShiftReport", problems=(404, 501))
def shift_report(shift_id: int, query: ReportQuery) -> Plain | Response:
    """Return a shift's report."""
    return _report("shift", shift_or_404(shift_id), query)


@_reporting("/trials/<int:trial_id>/report", gives="TrialReport", problems=(404, 501))
def trial_report(trial_id: int, query: ReportQuery) -> Plain | Response:
    """Return a trial's report."""
    return _report("trial", trial_or_404(trial_id), query)


@_reporting("/trials/<int:trial_id>/evidence", gives="EvidenceReport", problems=(404, 501))
def evidence_report(trial_id: int, query: ReportQuery) -> Plain | Response:
    """Return what a trial's evidence rests on."""
    return _report("evidence", trial_or_404(trial_id), query)


@_reporting("/cells/<int:cell_id>/report", gives="CellReport", problems=(404, 501))
def cell_report(cell_id: int, query: ReportQuery) -> Plain | Response:
    """Return whether a cell can be left alone, and for how long."""
    return _report("cell", cell_or_404(cell_id), query)


@_reporting("/fleet/report", gives="FleetReport", problems=(501,))
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
    session = get_session()
    session.rollback()
    read_one_moment(session)
    pieces = export_csv(session, cell_or_404(cell_id))
    return Response(stream_with_context(pieces), mimetype="text/csv")
