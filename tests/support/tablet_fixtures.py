"""Tablets in a test's hands: enrolled, signed in, with a shift open."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime

import pytest
from support.browsing import PATIENCE
from support.fork_server import ForkServer
from support.hashing import QUICK_IN_A_PAGE
from support.kept_browser import KeptBrowser, listen
from support.killable import KillableServer
from support.tablet_page import TabletPage
from support.weather import Proxy

from trialog.records.database import unit_of_work
from trialog.records.tablets import make_code

TABLET = {"width": 1280, "height": 800}

_numbers = itertools.count(1)


@pytest.fixture
def code_for(session, people, cell):
    """Return a maker of codes that turn a browser into a tablet of the cell."""

    def make(name=None):
        with unit_of_work(session):
            return make_code(
                session, name=name or f"tablet {next(_numbers)}", cell=cell.cell,
                actor=people.engineer, now=datetime.now(UTC),
            )  # fmt: skip

    return make


@pytest.fixture(scope="session")
def forks():
    """Return the process that servers are forks of: a start takes half a second, not three."""
    forks = ForkServer()
    yield forks
    forks.end()


@pytest.fixture
def killable_server(database, people, cell, tmp_path, forks):
    """Return a server process on the database, with people and a cell in it."""
    server = KillableServer(database, tmp_path, forks=forks)
    server.start()
    yield server
    server.stop()


@pytest.fixture
def proxy(killable_server):
    """Return the network between a browser and the server that can be killed."""
    proxy = Proxy(killable_server.port)
    yield proxy
    proxy.stop()


@pytest.fixture
def kept_browser(playwright, tmp_path):
    """Return a browser that keeps what it stored when it is killed; it is not started yet."""
    browser = KeptBrowser(playwright, tmp_path / "browser")
    yield browser
    browser.close()


@pytest.fixture
def begin_tablet(code_for, people):
    """Return what enrols a page, signs the operator in on it, and skips the help."""

    def begin(page, url, *, person=None, name=None):
        tablet = TabletPage(page, url)
        person = person or people.operator
        tablet.enrol(code_for(name))
        tablet.sign_in(person, people.pin(person))
        tablet.skip_guide()
        return tablet

    return begin


@pytest.fixture
def tablet_on(browser, live_server, begin_tablet):
    """Return a maker of tablets in browsers of their own, each with somebody signed in.

    What the browsers call an error is held to be none at the end, as far as a test did not take
    it off `complaints`.
    """
    contexts, complaints = [], []

    def make(*, person=None, url=live_server.url, before=None, **options):
        context = browser.new_context(**{"viewport": TABLET, "has_touch": True} | options)
        context.set_default_timeout(PATIENCE)
        context.add_init_script(QUICK_IN_A_PAGE)
        contexts.append(context)
        page = context.new_page()
        listen(page, complaints)
        if before is not None:
            before(page)
        return begin_tablet(page, url, person=person)

    make.complaints = complaints
    yield make
    for context in contexts:
        context.close()
    assert complaints == []
