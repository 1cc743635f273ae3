"""Files that people keep, as answers."""

from __future__ import annotations

from flask import Response

from trialog.reports.document import File


def download(file: File) -> Response:
    """Answer with a file to keep. It is never opened in place, where this site's rules bind it."""
    response = Response(file.content, mimetype=file.media_type)
    response.headers["Content-Disposition"] = f'attachment; filename="{file.name}"'
    return response
