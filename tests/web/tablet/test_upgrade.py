"""The page and the server change their version while tablets are in use and out of reach."""

from __future__ import annotations

import json
import re

import pytest
from playwright.sync_api import expect
from sqlalchemy import select
from support.weather import Proxy

from trialog.records.models import Entry, Tablet
from trialog.records.verify import verify

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

OLD = "000000000000"


@pytest.fixture
def front(live_server):
    """Return a place before the server at which an older version of the page can be served."""
    proxy = Proxy(int(live_server.url.rpartition(":")[2]))
    yield proxy
    proxy.stop()


def serve_older_page(app, front):
    """Serve what an older server would: a page and a worker of another version."""
    client = app.test_client()
    page, worker = (client.get(path).text for path in ("/tablet/", "/tablet/sw.js"))
    version = re.search(r'name="trialog-version" content="(\w+)"', page)[1]
    page = page.replace(version, OLD)
    worker = worker.replace(version, OLD)
    front.answers["/tablet/"] = ("text/html; charset=utf-8", page.encode())
    front.headers["/tablet/"] = [("Trialog-Version", OLD)]
    front.answers["/tablet/sw.js"] = ("text/javascript", worker.encode())
    return version


def upgrade(front):
    """Serve what the server has by now."""
    front.answers.clear()


@pytest.fixture
def old_tablet(app, front, tablet_on):
    """Return a tablet on which the older page logs, without a network, ten cycles."""
    serve_older_page(app, front)
    tablet = tablet_on(url=front.url)
    tablet.open_shift(counter=500)
    tablet.await_saved()
    tablet.page.evaluate("() => navigator.serviceWorker.ready.then(() => true)")
    tablet.page.context.set_offline(True)
    for _ in range(8):
        tablet.tap_good()
    tablet.fail("chips left")
    tablet.tap_good()
    tablet.await_logged(10)
    return tablet


def version_shown(tablet):
    return tablet.page.locator("meta[name=trialog-version]").get_attribute("content")


def look_for_newer_page(tablet):
    """Let the browser ask for a newer worker, as it does by itself now and then."""
    tablet.page.evaluate(
        "() => navigator.serviceWorker.getRegistration().then((one) => one.update()).catch(() => 0)"
    )


def test_cycles_logged_with_an_older_page_are_taken_after_the_upgrade(old_tablet, front, session):
    upgrade(front)
    old_tablet.page.context.set_offline(False)
    old_tablet.await_saved()
    session.rollback()
    entries = session.scalars(select(Entry).order_by(Entry.sequence)).all()
    assert sum(entry.cycles or 0 for entry in entries) == 10
    assert session.scalars(select(Tablet)).one().page_version == OLD
    assert verify(session) == []


def test_the_older_page_goes_on_until_it_is_loaded_anew_and_loses_nothing_by_that(
    old_tablet, front, session
):
    upgrade(front)
    old_tablet.page.context.set_offline(False)
    old_tablet.await_saved()
    look_for_newer_page(old_tablet)
    expect(old_tablet.page.locator("#banner")).to_contain_text("new version")
    assert version_shown(old_tablet) == OLD
    old_tablet.page.context.set_offline(True)
    old_tablet.tap_good()
    old_tablet.await_logged(11)
    old_tablet.page.locator("#more").tap()
    old_tablet.page.locator("#menu-update").tap()
    expect(old_tablet.page.locator("meta[name=trialog-version]")).not_to_have_attribute(
        "content", OLD
    )
    assert old_tablet.await_board() == 11
    old_tablet.page.context.set_offline(False)
    old_tablet.await_saved()
    session.rollback()
    cycles = [entry.cycles or 0 for entry in session.scalars(select(Entry))]
    assert sum(cycles) == 11


def test_the_older_page_opens_without_a_network(old_tablet):
    old_tablet.reload()
    assert old_tablet.await_board() == 10
    assert version_shown(old_tablet) == OLD


def test_an_upgrade_that_breaks_off_leaves_the_older_page_whole(old_tablet, app, front):
    """The worker's new version names a file that does not arrive: the older one must stay."""
    upgrade(front)
    worker = app.test_client().get("/tablet/sw.js").text
    files = json.loads(re.search(r"const FILES = (\[.*?\]);", worker)[1])
    broken = worker.replace(json.dumps(files[-1]), json.dumps(f"{files[-1]}-gone"))
    assert broken != worker
    front.answers["/tablet/sw.js"] = ("text/javascript", broken.encode())
    old_tablet.page.context.set_offline(False)
    old_tablet.await_saved()
    look_for_newer_page(old_tablet)
    old_tablet.page.context.set_offline(True)
    old_tablet.reload()
    assert old_tablet.await_board() == 10
    assert version_shown(old_tablet) == OLD
