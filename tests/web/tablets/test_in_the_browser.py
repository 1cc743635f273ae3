"""The tablets' pages in a real browser: a code makes a tablet, every page can be read and hit."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect
from support.looks import CONTRAST, NAMELESS, SMALL_CONTROLS, SMALLEST_TARGET, SPILL

pytestmark = pytest.mark.database("sqlite")  # the browser sees the same pages on both


def sign_in(page, server, people, person):
    page.goto(f"{server.url}/login")
    page.get_by_label(person.name).check()
    page.get_by_label("PIN").fill(people.pin(person))
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{server.url}/")


@pytest.fixture
def desk(page, live_server, people, session):
    """Return a page on which the engineer is signed in."""
    sign_in(page, live_server, people, people.engineer)
    session.rollback()  # what it read of the people is older than the sign-in that was written
    return page


def make_code(desk, server, name="blue tablet"):
    """Enrol a tablet by the keyboard alone, and return the code."""
    desk.goto(f"{server.url}/tablets/new")
    desk.get_by_label("Name of the tablet").press_sequentially(name)
    desk.keyboard.press("Tab")
    desk.keyboard.press("ArrowDown")
    desk.keyboard.press("Tab")
    desk.keyboard.press("Enter")
    code = desk.locator(".code")
    expect(code).to_be_visible()
    return code.inner_text().split()[-1].replace("-", "")


def test_a_scanned_code_makes_a_browser_a_tablet_and_leaves_no_trace_of_it(
    desk, browser, live_server, people, cell
):
    code = make_code(desk, live_server)
    context = browser.new_context()
    try:
        tablet = context.new_page()
        tablet.goto(f"{live_server.url}/tablet/#enrol={code}")
        expect(tablet.locator("#screen-people")).to_be_visible()
        assert code not in tablet.url
        desk.goto(f"{live_server.url}/tablets")
        expect(desk.get_by_role("heading", name="blue tablet")).to_be_visible()
    finally:
        context.close()


def test_the_engineers_own_browser_becomes_a_tablet_by_one_press(desk, live_server, cell):
    desk.goto(f"{live_server.url}/tablets")
    desk.get_by_role("button", name="Log here").click()
    expect(desk.locator("#screen-cell")).to_be_visible()


def test_revoking_takes_two_presses(desk, live_server, tablet):
    desk.goto(f"{live_server.url}/tablets")
    sure = desk.get_by_role("button", name="Revoke blue tablet")
    expect(sure).to_be_hidden()
    desk.locator("summary").first.focus()
    desk.keyboard.press("Enter")
    sure.click()
    expect(desk.get_by_text("blue tablet is revoked")).to_be_visible()
    assert tablet.pack().status_code == 401


@pytest.mark.parametrize(
    ("width", "height", "scheme"),
    [(1280, 800, "light"), (800, 1280, "dark"), (360, 740, "light")],
)
def test_every_page_fits_can_be_hit_is_named_and_stands_out(
    desk, live_server, tablet, shift, cell, *, width, height, scheme
):
    tablet.send(
        tablet.tap("good", counter=1, text="W" * 300), tablet.tap("failed", modes=[999]),
        tablet.tap("W" * 100), tablet.tap("check", cycles=0),
    )  # fmt: skip
    desk.set_viewport_size({"width": width, "height": height})
    desk.emulate_media(color_scheme=scheme)
    said, faults = [], []
    desk.on("console", lambda message: said.append(message.text))
    make_code(desk, live_server, "X" * 100)
    for path in (None, "/tablets", "/tablets/new", f"/cells/{cell.id}/parked"):
        if path is not None:
            desk.goto(live_server.url + path)
        faults += [(path, "spills over")] * (desk.evaluate(SPILL) > 0)
        for look in (SMALL_CONTROLS % SMALLEST_TARGET, NAMELESS, CONTRAST):
            faults += [(path, item) for item in desk.evaluate(look)]
        assert desk.locator("h1").count() == 1, path
    assert faults == []
    assert said == []
