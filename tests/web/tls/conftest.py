"""A server that speaks HTTPS, for tests of what it lets in."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from support.https import make_keeper, secured


@pytest.fixture
def present():
    """Return the present moment: OpenSSL looks at this computer's own clock."""
    return datetime.now(UTC)


@pytest.fixture
def keeper(tmp_path, present):
    """Return the keeper of a fresh authority and certificate."""
    return make_keeper(tmp_path / "tls", present)


def who_called(environ, start_response):
    """Answer with what an app learns of its caller, and the size of what was sent."""
    size = len(environ["wsgi.input"].read(int(environ.get("CONTENT_LENGTH") or 0)))
    words = f"{environ['wsgi.url_scheme']} {environ['REMOTE_ADDR']} {environ['PATH_INFO']} {size}"
    start_response("200 OK", [("Content-Length", str(len(words)))])
    return [words.encode()]


@pytest.fixture
def https(keeper):
    """Return a server by HTTPS whose app says who called."""
    with secured(who_called, keeper) as server:
        yield server
