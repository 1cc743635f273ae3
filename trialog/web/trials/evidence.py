"""The page on a trial's evidence: revisions, counter, conditions, stops."""

from __future__ import annotations

from flask import render_template

from trialog.records.models import Trial
from trialog.records.people import Action
from trialog.reports.evidence_report import build_evidence_report
from trialog.reports.kinds import context
from trialog.web.clock import now, zone
from trialog.web.database import get_or_404, get_session
from trialog.web.language import in_language
from trialog.web.links import csv_page, file_url, shift_page
from trialog.web.security import allowed, report_page
from trialog.web.trials import bp


@bp.get("/trials/<int:trial_id>/evidence")
@allowed(Action.READ)
@report_page
@in_language
def evidence(trial_id: int) -> str:
    """Show what a trial's evidence rests on."""
    trial = get_or_404(Trial, trial_id)
    return render_template(
        "trials/evidence.html",
        trial=trial,
        **context(build_evidence_report(get_session(), trial, now=now(), zone=zone())),
        csv_page=csv_page("evidence", trial_id=trial_id),
        shift_page=shift_page,
        file_page=file_url,
    )
