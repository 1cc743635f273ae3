"""The page on a trial's evidence: revisions, counter, conditions, stops."""

from __future__ import annotations

from flask import Response, render_template

from trialog.records.models import Trial
from trialog.records.people import Action
from trialog.reports import documents
from trialog.reports.evidence_report import (
    EvidenceReport,
    build_evidence_report,
    evidence_report_as_dict,
)
from trialog.web.clock import now, zone
from trialog.web.database import get_or_404, get_session
from trialog.web.links import file_url, shift_page
from trialog.web.security import allowed, report_page
from trialog.web.trials import bp
from trialog.web.trials.views import as_json, download


@bp.get("/trials/<int:trial_id>/evidence")
@allowed(Action.READ)
@report_page
def evidence(trial_id: int) -> str:
    """Show what a trial's evidence rests on."""
    trial = get_or_404(Trial, trial_id)
    return render_template(
        "trials/evidence.html",
        trial=trial,
        report=_build(trial),
        shift_page=shift_page,
        file_page=file_url,
    )


@bp.get("/trials/<int:trial_id>/evidence.html")
@allowed(Action.READ)
def evidence_html(trial_id: int) -> Response:
    """Download the same as one file that needs nothing else."""
    made = documents.evidence_html(_build(get_or_404(Trial, trial_id)))
    return download(made, "text/html", f"evidence-{trial_id}.html")


@bp.get("/trials/<int:trial_id>/evidence.json")
@allowed(Action.READ)
def evidence_json(trial_id: int) -> Response:
    """Download the same as data."""
    made = evidence_report_as_dict(_build(get_or_404(Trial, trial_id)))
    return download(as_json(made), "application/json", f"evidence-{trial_id}.json")


def _build(trial: Trial) -> EvidenceReport:
    return build_evidence_report(get_session(), trial, now=now(), zone=zone())
