"""What an app's notices are sent with."""

from __future__ import annotations

from flask import Flask

from trialog.notices import Post
from trialog.web.database import state


def post_of(app: Flask) -> Post:
    """Return what sends the notices of an app's database over its channels."""
    here = state(app)
    return Post(
        sessions=here.sessions,
        settings=here.settings.notices,
        zone=here.settings.time_zone,
        language=here.settings.language,
    )
