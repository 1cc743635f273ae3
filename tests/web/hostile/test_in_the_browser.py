"""A real browser on pages full of hostile text: nothing of it runs, and nothing is refused."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from playwright.sync_api import expect
from sqlalchemy import select
from support.browsing import serving
from support.hostile import SCRIPT, looked_at, poison
from support.kept_browser import listen

from trialog.records.database import unit_of_work
from trialog.records.models import Cell, Person
from trialog.records.tablets import make_code

pytestmark = pytest.mark.database("sqlite")  # the browser does not know what keeps the records

PAGES = {
    "home.index", "readiness.fleet", "readiness.cell", "kept.index", "kept.show", "setup.cell",
    "setup.edit_cell", "shifts.report", "shifts.new_revision", "trials.show", "trials.line",
    "trials.evidence", "trials.list_failures", "trials.ask_what_if", "trials.check_import",
    "tablets.parked", "tablets.index", "people.index", "audit.index", "clients.index",
}  # fmt: skip


@pytest.fixture
def hostile(app, session, records):
    """Serve records in which somebody has typed a script into every field."""
    poison(session, SCRIPT)
    with serving(app) as url:
        yield url


@pytest.fixture
def ran(page):
    """Return what the browser ran of it: dialogs, errors, refusals of the content policy."""
    said = []
    listen(page, said)
    page.on("dialog", lambda dialog: (said.append(f"dialog {dialog.message}"), dialog.dismiss()))
    return said


def test_nothing_of_it_runs_on_any_page_nor_in_a_report_that_was_saved(
    page, hostile, ran, admin, *, app, records, tmp_path
):
    value = admin.client.get_cookie("trialog_session").value
    page.context.add_cookies([{"name": "trialog_session", "value": value, "url": hostile}])
    shown, found = 0, looked_at(app, records)
    assert {endpoint for endpoint, _ in found} >= PAGES
    for address in [address for endpoint, address in found if endpoint in PAGES]:
        answer = page.goto(hostile + address)
        assert answer.status == 200, address
        shown += "zq-mark onclick" in page.inner_text("body")
        assert page.locator("zq-mark, img[onerror]").count() == 0, address
    for address in ("/trials/1/report.html", "/shifts/1/report.html"):
        saved = tmp_path / "report.html"
        saved.write_bytes(admin.get(address).data)
        page.goto(saved.as_uri())
        shown += "zq-mark onclick" in page.inner_text("body")
        assert page.locator("zq-mark, img[onerror]").count() == 0, address
    assert ran == []
    assert shown > 15


def test_nothing_of_it_runs_on_the_tablet_page(page, hostile, ran, session, people):
    with unit_of_work(session):
        engineer = session.scalars(select(Person).where(Person.id == people.engineer.id)).one()
        cell = session.scalars(select(Cell)).one()
        by = {"actor": engineer, "now": datetime.now(UTC)}
        code = make_code(session, name="<img src=x onerror=alert(1)>", cell=cell, **by)
    page.goto(f"{hostile}/tablet/#enrol={code}")
    page.click(f'#people [data-person="{people.operator.id}"]')
    expect(page.locator("#pin-title")).to_contain_text("zq-mark onclick")
    page.fill("#pin", people.pin(people.operator))
    page.click("#pin-go")
    page.wait_for_function("() => trialog.tablet.person !== null")
    page.wait_for_function("() => document.body.innerText.includes('zq-mark onclick')")
    assert page.locator("zq-mark, img[onerror]").count() == 0
    assert ran == []
