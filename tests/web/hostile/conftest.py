"""Records with one of everything, and nobody asked for a form's token."""

from __future__ import annotations

import pytest
from support.populated import populate


@pytest.fixture
def records(app, session, people):
    app.config["WTF_CSRF_ENABLED"] = False  # forged requests have a test of their own
    app.config["RATELIMIT_ENABLED"] = False
    return populate(app, session, people)
