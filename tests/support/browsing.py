"""A running server and a real browser to look at it with."""

from __future__ import annotations

import os
import shutil
import threading
from contextlib import contextmanager, suppress
from dataclasses import dataclass

import pytest
from support.compiled import COMPILED_TEMPLATES
from waitress.server import create_server
from waitress.wasyncore import close_all

BROWSERS = ("/usr/bin/chromium", "chromium", "chromium-browser", "chrome")
SHELL = "chromium-headless-shell"
"""The same engine without what windows need: it takes a third less of the processor."""
SWITCHES = (
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-dev-shm-usage",
    "--disable-sync",
    "--no-first-run",
)
PATIENCE = 60_000
"""Milliseconds that a page is waited for; a computer that does much else is slow, not wrong."""
LARGEST_ANSWER = 16 * 1024 * 1024
WEB_CONFIG = {"SECRET_KEY": "only for tests", "TESTING": True}


@dataclass(frozen=True)
class LiveServer:
    """An application that answers at `url`."""

    app: object
    url: str


@contextmanager
def serving(app):
    """Serve a WSGI application on a free loopback port with the server that `serve` uses."""
    sockets = {}
    # Large answers stay in memory: a browser that leaves early would leave their file open.
    server = create_server(
        app, map=sockets, host="127.0.0.1", port=0, threads=4, outbuf_overflow=LARGEST_ANSWER
    )
    thread = threading.Thread(target=server.run, name="live server")
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        # The loop ends when it has nothing left to watch; its own thread must clear the map.
        with suppress(OSError):  # woken by somebody else just now, it has closed what wakes it
            server.trigger.pull_trigger(lambda: close_all(sockets, ignore_all=True))
        thread.join(timeout=10)
        server.task_dispatcher.shutdown()


@pytest.fixture
def app(database):
    """Return the web application on a fresh database."""
    from trialog.web import create_app  # noqa: PLC0415 - tests without the web do not need it
    from trialog.web.database import state  # noqa: PLC0415

    app = create_app({**WEB_CONFIG, "DATABASE_URL": database})
    app.jinja_env.bytecode_cache = COMPILED_TEMPLATES
    yield app
    state(app).engine.dispose()


@pytest.fixture
def live_server(app):
    """Serve the web application on a fresh database."""
    with serving(app) as url:
        yield LiveServer(app, url)


def browser_path():
    """Return the Chromium to test with: TRIALOG_TEST_CHROMIUM, or one that is installed."""
    chosen = os.environ.get("TRIALOG_TEST_CHROMIUM")
    for name in (chosen,) if chosen else BROWSERS:
        if path := shutil.which(name):
            return path
    pytest.fail(
        f"no browser to test with ({chosen or 'chromium'} is not there): "
        "install chromium, or name one in TRIALOG_TEST_CHROMIUM"
    )


def quickest_browser():
    """Return the engine alone where that is installed, for tests that look at pages only."""
    chosen = "TRIALOG_TEST_CHROMIUM" in os.environ
    return (None if chosen else shutil.which(SHELL)) or browser_path()


@pytest.fixture(scope="session")
def playwright():
    """Return what drives browsers; there can be one of it in a process."""
    from playwright.sync_api import expect, sync_playwright  # noqa: PLC0415 - slow to import

    expect.set_options(timeout=PATIENCE)
    with sync_playwright() as playwright:
        yield playwright


@pytest.fixture(scope="session")
def browser(playwright):
    """Return a Chromium; each test opens its own context in it."""
    browser = playwright.chromium.launch(executable_path=quickest_browser(), args=list(SWITCHES))
    yield browser
    browser.close()


@pytest.fixture
def page(browser):
    """Return a page in a fresh browser context: no cookies, nothing stored."""
    context = browser.new_context()
    context.set_default_timeout(PATIENCE)
    yield context.new_page()
    context.close()
