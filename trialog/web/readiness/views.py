"""The page of one cell's readiness, and the overview of all cells."""

from __future__ import annotations

from flask import render_template, request, url_for

from trialog.records.models import Cell
from trialog.records.people import Action
from trialog.reports.cell_report import build_cell_report
from trialog.reports.fleet_report import build_fleet_report
from trialog.reports.kinds import context
from trialog.web.clock import now, zone
from trialog.web.database import get_or_404, get_session
from trialog.web.language import in_language
from trialog.web.links import csv_page, parked_url, shift_page
from trialog.web.readiness import bp
from trialog.web.remembering import standing_now
from trialog.web.security import allowed, report_page

LONGEST_SEARCH = 200


@bp.get("/cells/<int:cell_id>/readiness")
@allowed(Action.READ)
@report_page
@in_language
def cell(cell_id: int) -> str:
    """Say whether a cell can be left alone, and for how long."""
    cell = get_or_404(Cell, cell_id)
    report = build_cell_report(get_session(), cell, now=now(), zone=zone(), standing=standing_now())
    trials = [trial for stage in report.stages_latest_first for trial in stage.trials]
    return render_template(
        "readiness/cell.html",
        cell=cell,
        **context(report),
        trial_page=_trial_page,
        trial_pages=[_trial_page(trial.trial_id) for trial in trials],
        shift_pages=[shift_page(shift.shift_id) for shift in report.shifts],
        parked_page=parked_url(cell_id),
        csv_page=csv_page("cell", cell_id=cell_id),
    )


@bp.get("/fleet")
@allowed(Action.READ)
@in_language
def fleet() -> str:
    """Show how all cells stand, those first that need somebody most."""
    report = build_fleet_report(
        get_session(),
        now=now(),
        zone=zone(),
        find=request.args.get("find", "").strip()[:LONGEST_SEARCH],
        standing=standing_now(),
    )
    return render_template(
        "readiness/fleet.html",
        **context(report),
        cell_page=_cell_page,
        cell_pages=[_cell_page(one.cell_id) for one in report.cells],
    )


def _trial_page(trial_id: int) -> str:
    return url_for("trials.show", trial_id=trial_id)


def _cell_page(cell_id: int) -> str:
    return url_for("readiness.cell", cell_id=cell_id)
