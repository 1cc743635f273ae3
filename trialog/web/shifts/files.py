"""Photos and files that show a change to a device: kept with it, handed out again as a file."""

from __future__ import annotations

from io import BytesIO

from flask import Response, abort, send_file

from trialog.errors import TrialogError
from trialog.records.database import unit_of_work
from trialog.records.files import file_of, store_file
from trialog.records.people import Action
from trialog.web.clock import now
from trialog.web.database import get_session
from trialog.web.identity import current_person
from trialog.web.saving import place_error
from trialog.web.security import allowed
from trialog.web.shifts import bp
from trialog.web.shifts.forms import RevisionForm

UNNAMED = "photo.jpg"


@bp.get("/files/<sha256>")
@allowed(Action.READ)
def file(sha256: str) -> Response:
    """Download a photo or file. It is never opened in place, whatever is in it."""
    found = file_of(get_session(), sha256)
    if found is None:
        abort(404)
    response = send_file(
        BytesIO(found.content), mimetype=found.media_type, as_attachment=True,
        download_name=found.filename or UNNAMED, etag=False,
    )  # fmt: skip
    response.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response


def keep_file(form: RevisionForm) -> bool:
    """Keep the file that came with a form, and let the form name it; False where it is refused.

    It is kept before the revision is written, as a tablet's photos are: a form that comes back
    for mending then needs no second choosing of the file.
    """
    upload = form.file.data
    if not upload:
        return True
    session, content = get_session(), upload.read()
    upload.close()  # a large one lies in a temporary file
    try:
        with unit_of_work(session):
            form.kept.data = store_file(
                session, upload.filename or "", content, actor=current_person(), now=now()
            )
    except TrialogError as error:
        place_error(form, {"file": "file"}, error)
        return False
    return True


def kept_name(form: RevisionForm) -> str | None:
    """Return the name of the file that a form names, None where it names none."""
    found = file_of(get_session(), form.kept.data or "")
    return None if found is None else found.filename or UNNAMED
