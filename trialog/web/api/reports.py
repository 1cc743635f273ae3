"""The reports as data, or in any other form: the same documents as pages and commands have."""

from __future__ import annotations

import io
import zipfile
from functools import partial
from typing import Any, Literal

from flask import Response
from pydantic import Field

from trialog.errors import NotAllowedError
from trialog.records.words import Scope
from trialog.reports.document import Document, File
from trialog.reports.kinds import make, render
from trialog.web.api.access import current_client
from trialog.web.api.answers import Plain
from trialog.web.api.finding import cell_or_404, shift_or_404, trial_or_404
from trialog.web.api.operations import File as FileTypes
from trialog.web.api.operations import operation
from trialog.web.api.zones import ZoneQuery
from trialog.web.clock import now
from trialog.web.database import get_session, reading_session, state
from trialog.web.sending import download


class ReportQuery(ZoneQuery):
    """How a report is wanted."""

    format: Literal["json", "html", "pdf", "xlsx", "csv", "zip"] = Field(
        "json", description="Its form; csv is one table of it, zip all of them."
    )
    language: Literal["en", "es"] | None = Field(
        None, description="Its language; without it: the server's."
    )
    paper: Literal["a4", "letter"] = Field("a4", description="The paper of a PDF.")
    table: str | None = Field(
        None, max_length=60, description="The table that CSV holds; without it: the main one."
    )


ZIP = "application/zip"

_reporting = partial(
    operation,
    "GET",
    scope=Scope.READ,
    tag="Reports",
    query=ReportQuery,
    also=(*FileTypes.REPORTS, ZIP),
)
"""Makes a function the view of a report."""


def _report(kind: str, subject: Any, query: ReportQuery) -> Plain | Response:
    with reading_session(subject, fresh=True) as (session, same):
        document = make(
            session,
            kind,
            same,
            now=now(),
            zone=query.zone(),
            language=query.language or state().settings.language,
        )
    get_session().rollback()  # a browser may print for seconds: nothing of the records is held
    if query.format == "json":
        return Plain(document.data)
    if query.format == "zip":
        return download(_all_tables(document))
    return download(render(document, query.format, paper=query.paper, table=query.table))


def _all_tables(document: Document) -> File:
    """Return an archive of a report's tables, so that it is made once for all of them."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for table in document.tables:
            # A name without a time of its own is of 1980: two archives of one report are the same.
            entry = zipfile.ZipInfo(f"{document.stem}-{table.name}.csv")
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, render(document, "csv", table=table.name).content)
    return File(f"{document.stem}.zip", ZIP, packed.getvalue())


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
