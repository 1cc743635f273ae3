"""The pages in a real browser: nothing spills over, nothing is refused, all of it has a name."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from playwright.sync_api import expect
from support.cells import log_shift
from support.looks import CONTRAST, NAMELESS, SMALL_CONTROLS, SMALLEST_TARGET, SPILL

from trialog.evidence import define_requirement, start_trial
from trialog.records.database import unit_of_work
from trialog.records.setup import NewRequirement
from trialog.records.words import PlanKind, Stage
from trialog.reports.keeping import Keeper, keep_due

PAGES = (
    "/", "/cells/1", "/cells/new", "/cells/1/edit", "/cells/1/devices/new", "/modes/1/edit",
    "/cells/1/requirements/new", "/requirements/1/trials/new", "/people", "/people/new",
    "/people/1/edit", "/cells/1/revisions/new", "/trials/1/evidence", "/settings/notices",
    "/audit", "/reports", "/reports/1", "/help", "/help/setting-up", "/nowhere",
)  # fmt: skip


@pytest.fixture
def shop(session, sessions, cell, people, now):
    """Fill a shop with a trial, shifts and names of awkward length."""
    by = {"actor": people.engineer, "now": now}
    new = NewRequirement(
        name="W" * 60, stretch_hours=8, chance=0.9, confidence=0.95, design_rate=1e-5
    )
    with unit_of_work(session):
        stated = define_requirement(session, cell.cell, new, **by)
        start_trial(
            session, stated, name="X" * 100, stage=Stage.BY_HAND,
            plan_kind=PlanKind.ZERO_FAILURE, device=cell.arm, **by,
        )  # fmt: skip
    log_shift(session, cell, "L" * 80, now=now, good=20, failed=[cell.dropped])
    log_shift(session, cell, "B", now=datetime.now(UTC), good=2, closed=False)
    keep_due(Keeper(sessions=sessions, zone=UTC))


def sign_in(page, server, people, person):
    page.goto(f"{server.url}/login")
    page.get_by_label(person.name).check()
    page.get_by_label("PIN").fill(people.pin(person))
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{server.url}/")


@pytest.fixture
def complaints(page):
    """Return what the browser refuses or stumbles over, apart from pages that are not there."""
    said = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on(
        "console",
        lambda message: (
            said.append(message.text)
            if message.type in ("error", "warning") and "404" not in message.text
            else None
        ),
    )
    return said


@pytest.mark.database("sqlite")  # the browser sees the same pages whatever keeps the records
@pytest.mark.parametrize(
    ("width", "height", "scheme"),
    [(1280, 800, "light"), (800, 1280, "dark"), (360, 740, "light")],
)
def test_every_page_fits_can_be_hit_and_is_named(
    page, live_server, people, shop, complaints, *, width, height, scheme
):
    page.set_viewport_size({"width": width, "height": height})
    page.emulate_media(color_scheme=scheme)
    sign_in(page, live_server, people, people.admin)
    faults = []
    for path in PAGES:
        page.goto(live_server.url + path)
        faults += [(path, "spills over")] * (page.evaluate(SPILL) > 0)
        faults += [(path, item) for item in page.evaluate(SMALL_CONTROLS % SMALLEST_TARGET)]
        faults += [(path, item) for item in page.evaluate(NAMELESS)]
        assert page.locator("h1").count() == 1, path
    assert faults == []
    assert complaints == []


@pytest.mark.database("sqlite")
def test_a_cell_is_set_up_with_the_keyboard_alone_and_without_scripts(
    browser, live_server, people, session
):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    sign_in(page, live_server, people, people.engineer)
    page.goto(f"{live_server.url}/cells/new")
    for label, value in (
        ("Cell name", "Lathe 7"), ("Machine", "slant bed"), ("Part", "flange"),
        ("Operation", "op 10"), ("Planned cycle time", "30"),
        ("Device against: chips left", "blower"),
    ):  # fmt: skip
        page.get_by_label(label, exact=False).first.fill(value)
    page.keyboard.press("Enter")
    page.get_by_role("link", name="State the requirement").click()
    page.get_by_label("Name").fill("a night")
    page.get_by_label("Unattended stretch").fill("8")
    page.get_by_role("button", name="Work it out").click()
    expect(page.get_by_role("row", name="whole cell")).to_contain_text("27,296")
    page.get_by_role("button", name="Fix the requirement").click()
    page.get_by_label("Trial name").fill("blower by hand")
    page.get_by_role("button", name="Work out the plan").click()
    page.get_by_role("button", name="Begin the trial").click()
    expect(page.get_by_role("heading", level=3).first).to_contain_text("blower by hand")
    context.close()


@pytest.mark.database("sqlite")
def test_the_first_tab_leads_past_the_navigation(page, live_server, people):
    page.goto(f"{live_server.url}/login")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"


@pytest.mark.database("sqlite")
def test_all_an_admin_may_see_stands_on_one_row_or_on_a_row_of_its_own(page, live_server, people):
    sign_in(page, live_server, people, people.admin)
    tops = """() => ['.brand', '.top-nav', '.who'].map((part) => {
      const box = document.querySelector(part).getBoundingClientRect();
      return Math.round((box.top + box.bottom) / 2);
    })"""
    for width in (1280, 1180, 1100, 1024, 900):
        page.set_viewport_size({"width": width, "height": 800})
        brand, links, who = page.evaluate(tops)
        assert abs(brand - who) < 5, width
        assert (links - brand > 30) == (width < 1057), (width, brand, links)


@pytest.mark.database("sqlite")
def test_paper_shows_no_navigation(page, live_server, people, shop):
    sign_in(page, live_server, people, people.operator)
    page.goto(f"{live_server.url}/cells/1")
    page.emulate_media(media="print")
    assert page.get_by_role("navigation").count() == 0
    assert page.get_by_role("heading", level=1).is_visible()


@pytest.mark.database("sqlite")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_text_stands_out_from_its_ground(page, live_server, people, shop, scheme):
    page.emulate_media(color_scheme=scheme)
    sign_in(page, live_server, people, people.admin)
    faults = {}
    for path in PAGES:
        page.goto(live_server.url + path)
        if found := page.evaluate(CONTRAST):
            faults[path] = found
    assert faults == {}
