"""Tablets whose server does as the test says, and one that is ready to log."""

from __future__ import annotations

import pytest
from support.browsing import PATIENCE, serving
from support.core_page import CorePage
from support.hashing import QUICK_IN_A_PAGE
from support.kept_browser import KeptBrowser
from support.stub_server import StubServer


@pytest.fixture
def stub(app):
    """Return a server whose tablet API a test can put out of order."""
    return StubServer(app)


@pytest.fixture
def stub_url(stub):
    with serving(stub) as url:
        yield url
        stub.speak()


@pytest.fixture
def core_page(browser, stub_url):
    """Return a maker of pages; those of one context are tabs of one tablet."""
    contexts, complaints = [], []

    def make(context=None, *, hashes_as_shipped=False, **options):
        if context is None:
            context = browser.new_context(has_touch=True, **options)
            context.set_default_timeout(PATIENCE)
            if not hashes_as_shipped:
                context.add_init_script(QUICK_IN_A_PAGE)
            contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda message: _complain(complaints, message))
        page.on("dialog", lambda dialog: dialog.accept())
        return CorePage(page, stub_url)

    yield make
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture
def core(core_page):
    """Return an enrolled tablet on which somebody is signed in."""
    tablet = core_page().enrol()
    assert tablet.sign_in()["ok"]
    return tablet


@pytest.fixture
def board(tablet_on):
    """Return a tablet on whose board the operator logs; the counter stood at 500."""
    tablet = tablet_on()
    tablet.open_shift(counter=500)
    return tablet


@pytest.fixture
def core_kept(playwright, tmp_path):
    """Return a browser that can be killed and started again."""
    kept = KeptBrowser(playwright, tmp_path / "browser")
    yield kept
    kept.close()
    assert kept.complaints == []


def _complain(complaints, message):
    """Keep what the browser calls an error, but for requests that a test itself made fail."""
    if message.type == "error" and "Failed to load resource" not in message.text:
        complaints.append(f"{message.text} ({message.location.get('url', '')})")
