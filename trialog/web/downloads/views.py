"""One address for each kind of report; the form asked for is the ending of the file's name.

`?language=`, `?paper=` and `?table=` say the language, the paper of a PDF and the table of a CSV.
"""

from __future__ import annotations

from flask import Response

from trialog.records.people import Action
from trialog.reports.document import Document
from trialog.reports.kinds import KINDS, make
from trialog.web.clock import now, zone
from trialog.web.database import get_or_404, reading_session
from trialog.web.downloads import bp
from trialog.web.language import language_asked
from trialog.web.security import allowed
from trialog.web.sending import download_document


@bp.get("/shifts/<int:shift_id>/report.<form>")
@allowed(Action.READ)
def shift(shift_id: int, form: str) -> Response:
    """Download a shift's report."""
    return _download("shift", form, shift_id)


@bp.get("/trials/<int:trial_id>/report.<form>")
@allowed(Action.READ)
def trial(trial_id: int, form: str) -> Response:
    """Download a trial's report."""
    return _download("trial", form, trial_id)


@bp.get("/trials/<int:trial_id>/evidence.<form>")
@allowed(Action.READ)
def evidence(trial_id: int, form: str) -> Response:
    """Download what a trial's evidence rests on."""
    return _download("evidence", form, trial_id)


@bp.get("/cells/<int:cell_id>/readiness.<form>")
@allowed(Action.READ)
def cell(cell_id: int, form: str) -> Response:
    """Download how ready a cell is."""
    return _download("cell", form, cell_id)


@bp.get("/fleet.<form>")
@allowed(Action.READ)
def fleet(form: str) -> Response:
    """Download how all cells stand."""
    return _download("fleet", form)


def _download(name: str, form: str, ident: int | None = None) -> Response:
    def made() -> Document:
        model = KINDS[name].model
        subject = None if model is None or ident is None else get_or_404(model, ident)
        with reading_session(subject) as (session, same):
            return make(session, name, same, now=now(), zone=zone(), language=language_asked())

    return download_document(form, made)
