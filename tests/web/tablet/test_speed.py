"""What the first visit costs, and that the page asks for nothing else."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect
from support.tablet_page import TabletPage

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

LARGEST_FIRST_LOAD = 80_000


@pytest.fixture
def visited(browser, live_server):
    """Visit the tablet page for the first time, and note everything it asks for."""
    context = browser.new_context()
    page = context.new_page()
    seen = {"requests": [], "bytes": 0, "violations": []}
    context.on("request", lambda request: seen["requests"].append(request.url))
    page.on("console", lambda line: seen["violations"].append(f"{line.type}: {line.text}"))
    page.on("pageerror", lambda error: seen["violations"].append(str(error)))
    page.add_init_script(
        "window.violations = [];"
        "addEventListener('securitypolicyviolation', (event) => window.violations.push("
        "`${event.violatedDirective} ${event.blockedURI} ${event.sourceFile}`))"
    )
    network = context.new_cdp_session(page)
    network.send("Network.enable")
    network.on(
        "Network.loadingFinished",
        lambda event: seen.update(bytes=seen["bytes"] + event["encodedDataLength"]),
    )
    answer = page.goto(f"{live_server.url}/tablet/")
    expect(page.locator("#screen-enrol")).to_be_visible()
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    yield page, answer, seen
    context.close()


def test_the_first_visit_takes_less_than_80_kb(visited):
    _, _, seen = visited
    assert len(seen["requests"]) > 10
    assert 10_000 < seen["bytes"] < LARGEST_FIRST_LOAD


def test_the_page_asks_nobody_but_its_own_server(visited, live_server):
    _, _, seen = visited
    assert [url for url in seen["requests"] if not url.startswith(f"{live_server.url}/")] == []


def test_the_page_lives_under_a_policy_without_inline_code_or_styles(visited):
    page, answer, seen = visited
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert not any(word in policy for word in ("unsafe", "http:", "https:", "*", "data:"))
    assert page.evaluate("window.violations") == []
    assert seen["violations"] == []


def test_a_whole_shift_on_the_page_breaks_no_policy(tablet_on):
    tablet = tablet_on()
    tablet.page.evaluate(
        "window.violations = [];"
        "addEventListener('securitypolicyviolation', (event) => window.violations.push("
        "`${event.violatedDirective} ${event.blockedURI}`))"
    )
    tablet.open_shift(counter=100)
    tablet.tap_good()
    tablet.fail("chips left", "slow return")
    tablet.note("coolant looked at")
    tablet.undo_last()
    tablet.bulk(5)
    tablet.close_shift(counter=107)
    expect(tablet.page.locator("#sheet-halt")).to_be_visible()
    assert tablet.page.evaluate("window.violations") == []


def test_the_next_visit_asks_for_nothing_but_news(tablet_on):
    tablet = tablet_on()
    assert isinstance(tablet, TabletPage)
    tablet.page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    tablet.page.wait_for_function("() => trialog.store.kept")  # a disk may answer late
    tablet.reload()
    expect(tablet.page.locator("#screen-open")).to_be_visible()
    fetched = tablet.page.evaluate(
        "performance.getEntriesByType('resource').filter((one) => one.transferSize > 300)"
        ".map((one) => new URL(one.name).pathname)"
    )
    assert [path for path in fetched if not path.startswith("/api/tablet/")] == []
