"""Files that people keep, as answers."""

from __future__ import annotations

from collections.abc import Callable

from flask import Response, abort, request

from trialog.reports.document import Document, File, read_paper
from trialog.reports.kinds import FORMS, render
from trialog.web.database import get_session


def download_document(form: str, make: Callable[[], Document]) -> Response:
    """Answer with a document in a form, as `?paper=` and `?table=` want it.

    `make` reads it from the records, once it is known that there is such a form.
    """
    if form not in FORMS:
        abort(404)
    document = make()
    get_session().rollback()  # a browser may print for seconds: nothing of the records is held
    paper = read_paper(request.args.get("paper", "a4"))
    return download(render(document, form, paper=paper, table=request.args.get("table")))


def download(file: File) -> Response:
    """Answer with a file to keep. It is never opened in place, where this site's rules bind it."""
    response = Response(file.content, mimetype=file.media_type)
    response.headers["Content-Disposition"] = f'attachment; filename="{file.name}"'
    return response
