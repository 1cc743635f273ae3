"""A browser without a screen."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from support.signed_in import begin_session

TOKEN = re.compile(r'name="csrf_token"[^>]*value="([^"]+)"')


class Visitor:
    """A browser without a screen, that sends the token of the page as a browser would."""

    def __init__(self, app):
        self.client = app.test_client()

    def get(self, path, **options):
        return self.client.get(path, **options)

    def token(self):
        """Return the token of a page that every signed-in person sees."""
        return TOKEN.search(self.client.get("/help").text)[1]

    def post(self, path, data=None, *, page=None, **options):
        """Load a page that holds a form, then send the form."""
        shown = self.client.get(page or path).text
        found = TOKEN.search(shown)
        assert found, f"no form on {page or path}: {shown[-600:]}"
        return self.client.post(path, data={"csrf_token": found[1], **(data or {})}, **options)

    def sign_in(self, person, at=None):
        """Begin a session as the sign-in page does, without the slow PIN check."""
        begin_session(self.client, person, at or datetime.now(UTC))
        return self
