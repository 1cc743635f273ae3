"""Photos of failures: taken in from a tablet, shown to people."""

from __future__ import annotations

from datetime import timedelta

from flask import Response, abort, g, jsonify
from werkzeug.exceptions import TooManyRequests

from trialog.records.database import unit_of_work
from trialog.records.people import Action
from trialog.records.photos import LARGEST_PHOTO, count_photos, photo_of, store_photo
from trialog.web.assets import A_YEAR
from trialog.web.clock import now
from trialog.web.database import get_session, state
from trialog.web.identity import current_tablet
from trialog.web.logging import bp
from trialog.web.logging.bodies import read_bytes
from trialog.web.security import allowed, tablets_only

A_DAY = timedelta(days=1)
TOO_MANY = "This tablet has sent as many photos within a day as it may (TRIALOG_PHOTOS_A_DAY)."


@bp.put("/api/tablet/photos/<sha256>")
@tablets_only
def add_photo(sha256: str) -> Response:
    """Take a photo in, before the line that names it."""
    content, session = read_bytes(LARGEST_PHOTO), get_session()
    tablet, moment, most = current_tablet(), now(), state().settings.photos_a_day
    with unit_of_work(session):
        new = store_photo(session, sha256, content, tablet=tablet, now=moment)
        if new and count_photos(session, tablet, since=moment - A_DAY) > most:
            raise TooManyRequests(TOO_MANY)  # the tablet keeps it, and asks again later
    return jsonify(sha256=sha256, status="stored" if new else "repeated")


@bp.get("/photos/<sha256>")
@allowed(Action.READ)
def photo(sha256: str) -> Response:
    """Show a photo; under its hash it never changes."""
    content = photo_of(get_session(), sha256)
    if content is None:
        abort(404)
    g.cacheable = True
    response = Response(content, mimetype="image/jpeg")
    response.headers["Cache-Control"] = f"private, max-age={A_YEAR}, immutable"
    # A tablet made the bytes: whatever they are, they are looked at and nothing else.
    response.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
    return response
