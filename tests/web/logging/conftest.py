"""A shift that runs, and programs that log in it."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import urlsplit

import pytest
from support.cells import opening, write
from support.tablets import LABEL, Tablet

from trialog.records.queries import open_shift


@pytest.fixture
def shift(session, cell):
    """Return an open shift whose counter stood at 500."""
    moment = datetime.now(UTC)
    write(session, cell, opening(LABEL, counter=500, occurred_at=moment), now=moment)
    return open_shift(session, cell.cell)


@pytest.fixture
def tablet(operator, cell, shift):
    return Tablet(operator, cell)


@pytest.fixture
def engineers_tablet(engineer, cell, shift):
    return Tablet(engineer, cell)


@pytest.fixture
def page_on(browser, live_server, people):
    """Return a maker of touch pages on which somebody is signed in.

    Each page collects what the browser complains about; at the end nothing must be left.
    """
    contexts, complaints = [], []

    def make(path="/", *, person=None, width=1280, height=800, **options):
        context = browser.new_context(
            viewport={"width": width, "height": height}, has_touch=True, **options
        )
        context.set_default_timeout(10_000)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda message: _complain(complaints, message))
        person = person or people.operator
        page.goto(f"{live_server.url}/login?next={path}")
        page.check(f'input[name=name][value="{person.name}"]')
        page.fill("#pin", people.pin(person))
        page.click("main button[type=submit]")
        page.wait_for_url(lambda url: not urlsplit(url).path.startswith("/login"))
        return page

    make.complaints = complaints
    yield make
    for context in contexts:
        context.close()
    assert complaints == []


def _complain(complaints, message):
    """Keep what the browser calls an error, but for requests that a test itself made fail."""
    if message.type == "error" and "Failed to load resource" not in message.text:
        complaints.append(f"{message.text} ({message.location.get('url', '')})")
