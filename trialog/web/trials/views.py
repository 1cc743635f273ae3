"""A trial's page and documents, and the files that reports need to be shown."""

from __future__ import annotations

from typing import Any

from flask import Response, abort, g, render_template, url_for

from trialog.evidence import CAUTIONS
from trialog.records.models import Trial
from trialog.records.people import Action
from trialog.reports import words
from trialog.reports.documents import ASSETS as REPORT_ASSETS
from trialog.reports.documents import asset as report_asset
from trialog.reports.trial_report import TrialReport, build_trial_report
from trialog.web.assets import A_YEAR, fingerprint
from trialog.web.clock import now, zone
from trialog.web.database import get_or_404, get_session
from trialog.web.identity import current_person
from trialog.web.language import in_language
from trialog.web.links import csv_page, parked_url
from trialog.web.remembering import context_now
from trialog.web.security import allowed, report_page
from trialog.web.trials import bp
from trialog.web.trials.offering import sign_off_links

ASSETS = {"report.css": "text/css", "charts.js": "text/javascript"}


@bp.get("/trials/<int:trial_id>")
@allowed(Action.READ)
@report_page
@in_language
def show(trial_id: int) -> str:
    """Show how a trial stands: the sentence, the picture, the table."""
    trial = get_or_404(Trial, trial_id)
    return render_template(
        "trials/show.html",
        trial=trial,
        **context_now(trial, lambda: build_report(trial)),
        csv_page=csv_page("trial", trial_id=trial_id),
        shift_page=_shift_page,
        trial_page=lambda other: url_for("trials.show", trial_id=other),
        line_page=lambda key: url_for("trials.line", trial_id=trial_id, key=key),
        parked_page=parked_url(trial.cell_id),
        sign_off_links=sign_off_links(get_session(), trial, current_person()),
    )


def _shift_page(shift_id: int) -> str:
    return url_for("shifts.report", shift_id=shift_id)


@bp.app_context_processor
def _wording() -> dict[str, Any]:
    """Give every template the wording of numbers, and the cautions."""
    return {"w": words, "caution_sentences": CAUTIONS}


def build_report(trial: Trial) -> TrialReport:
    """Build a trial's report as of now, in the shop's zone."""
    return build_trial_report(get_session(), trial, now=now(), zone=zone())


@bp.get("/assets/reports/<name>")
@allowed(Action.READ)
def asset(name: str) -> Response:
    """Serve the style sheet or the script that reports share with their documents."""
    if name not in ASSETS:
        abort(404)
    g.cacheable = True
    response = Response(report_asset(name), mimetype=ASSETS[name])
    response.headers["Cache-Control"] = f"private, max-age={A_YEAR}, immutable"
    return response


@bp.app_url_defaults
def _add_fingerprint(endpoint: str, values: dict[str, Any]) -> None:
    """Let the address of a shared file change with its content, so that it may be kept."""
    if endpoint == "trials.asset":
        values["v"] = fingerprint(REPORT_ASSETS / values["name"])
