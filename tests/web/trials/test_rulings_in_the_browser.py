"""Rulings and what-if in a real Chromium: by the keyboard alone, and on a small screen."""

import pytest
from playwright.sync_api import expect
from support.looks import CONTRAST, NAMELESS, SMALL_CONTROLS, SMALLEST_TARGET, SPILL

from trialog.records.models import Entry
from trialog.records.words import EntryKind

pytestmark = pytest.mark.database("sqlite")  # what a browser does not depend on the database


@pytest.fixture
def queue(page, live_server, on_trial, engineer):
    """The queue of a trial with three failures, looked at by an engineer."""
    cell = on_trial.cell
    on_trial.shift("A " + "long name " * 8, good=96, failed=[cell.dropped] * 2 + [cell.missed])
    cookie = engineer.client.get_cookie("trialog_session")
    page.context.add_cookies(
        [{"name": "trialog_session", "value": cookie.value, "url": live_server.url}]
    )
    page.goto(f"{live_server.url}{on_trial.url}/rulings?next=yes")
    return page


def test_failure_after_failure_is_ruled_on_without_a_mouse(queue, on_trial):
    for words in ("bar end", "bar end too"):
        expect(queue.locator("select:focus")).to_have_count(1)  # the first failure's cause
        queue.keyboard.type("raw part")
        queue.keyboard.press("Tab")
        queue.keyboard.type(words)
        queue.keyboard.press("Tab")
        queue.keyboard.press("Tab")
        with queue.expect_navigation():
            queue.keyboard.press("Enter")
    on_trial.session.rollback()
    written = on_trial.session.query(Entry).filter_by(kind=EntryKind.RULING).all()
    assert [(line.cause.value, line.reason, line.relevant) for line in written] == [
        ("raw part out of tolerance", "bar end", False),
        ("raw part out of tolerance", "bar end too", False),
    ]


def test_the_pages_fit_a_small_screen_and_can_be_hit_and_read(queue, live_server, on_trial):
    said = []
    queue.on("console", lambda message: said.append(message.text))
    queue.set_viewport_size({"width": 360, "height": 740})
    _require_fit(queue)
    queue.get_by_role("checkbox", name="All 3 failures").check()
    queue.get_by_role("button", name="Look at ruling them non-relevant").click()
    queue.get_by_role("heading", name="Rule 3 failures non-relevant?").wait_for()
    _require_fit(queue)
    queue.goto(f"{live_server.url}{on_trial.url}/what-if")
    queue.get_by_label("Clean cycles more").fill("100")
    queue.get_by_text("Other rulings on failures").click()
    queue.get_by_role("button", name="Ask").click()
    queue.get_by_role("heading", name="The answer").wait_for()
    _require_fit(queue)
    assert said == []


def _require_fit(page):
    assert page.evaluate(SPILL) <= 0
    assert page.evaluate(NAMELESS) == []
    assert page.evaluate(SMALL_CONTROLS % SMALLEST_TARGET) == []
    assert page.evaluate(CONTRAST) == []
