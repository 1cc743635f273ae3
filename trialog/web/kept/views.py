"""The list of kept reports, each one's page, and its files."""

from __future__ import annotations

from collections.abc import Sequence

from flask import Response, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from trialog.records.kept import (
    KeptLine,
    content_of,
    count_due,
    count_kept,
    kept_of_shift,
    kept_of_trial,
    list_due,
    list_kept,
    versions_of,
)
from trialog.records.models import KeptReport, Shift, SignOff
from trialog.records.people import Action
from trialog.reports.freezing import body_of, thaw
from trialog.reports.keeping import kept_document
from trialog.web.database import get_or_404, get_session
from trialog.web.kept import bp
from trialog.web.kept.forms import read_form
from trialog.web.paging import page_of
from trialog.web.saving import form_page
from trialog.web.searching import asked_of
from trialog.web.security import allowed, report_page
from trialog.web.sending import download_document

PAGE = 50
"""Kept reports on a page of the list."""

DUE = 5
"""How many that are yet to be made it names."""


@bp.get("/reports")
@allowed(Action.READ)
def index() -> AnyResponse:
    """List the kept reports, the newest first."""
    session = get_session()
    form = read_form(session, request.args)
    which = asked_of(form, form.filter)
    listing = None
    if which is not None:
        listing = page_of(
            count_kept(session, which),
            PAGE,
            lambda skip: list_kept(session, which, skip=skip, most=PAGE),
        )
    return form_page(
        "kept/index.html", form, listing=listing,
        due=list_due(session, most=DUE), waiting=count_due(session),
    )  # fmt: skip


@bp.get("/reports/<int:report_id>")
@allowed(Action.READ)
@report_page
def show(report_id: int) -> str:
    """Show a kept report as it was."""
    session, kept = get_session(), get_or_404(KeptReport, report_id)
    document = thaw(content_of(kept), lambda sha256: url_for("logging.photo", sha256=sha256))
    return render_template(
        "kept/show.html",
        kept=kept,
        document=document,
        # It was written by our own templates, and its hash says that nobody changed it since.
        body=Markup(body_of(document)),  # noqa: S704
        versions=versions_of(session, kept),
        now_page=_now_page(kept),
    )


@bp.get("/reports/<int:report_id>.<form>")
@allowed(Action.READ)
def file(report_id: int, form: str) -> Response:
    """Download a kept report in a form."""
    return download_document(
        form, lambda: kept_document(get_session(), get_or_404(KeptReport, report_id))
    )


@bp.app_template_global()
def kept_links(*, shift_id: int = 0, trial_id: int = 0) -> Sequence[KeptLine]:
    """Return the kept reports of a shift or a trial, for the pages that show them as they are."""
    if shift_id:
        return kept_of_shift(get_session(), shift_id)
    return kept_of_trial(get_session(), trial_id)


def _now_page(kept: KeptReport) -> str:
    """Return where what the report is about stands as it is now."""
    if kept.shift_id is not None:
        return url_for("shifts.report", shift_id=get_or_404(Shift, kept.shift_id).id)
    record = get_or_404(SignOff, kept.sign_off_id or 0)
    return url_for("trials.show", trial_id=record.trial_id)
