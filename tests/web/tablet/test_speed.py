"""A tap's feedback on a slow tablet with a long queue, and what the first visit costs."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect
from support.tablet_page import TabletPage

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

SLOWER, QUEUED, TAPS, MOST_MS = 6, 2_000, 200, 50
ROUNDS = 3
LARGEST_FIRST_LOAD = 80_000
OLD_TABLET = 128  # ms between two taps of somebody in a hurry

QUEUE = """async (count) => {
  const add = () => window.trialog.outbox.add({ kind: "good", cycles: 1 });
  await Promise.all(Array.from({ length: count }, add));
}"""

WATCH = """() => {
  /* From the moment that the finger left the glass (the browser's own time stamp, so waiting for
     busy scripts counts too) to the frame that shows the new count. */
  const count = document.getElementById("logged");
  const lifted = [];
  window.took = [];
  window.addEventListener("pointerup", (event) => lifted.push(event.timeStamp), true);
  new MutationObserver(() => {
    const shown = new MessageChannel();
    const since = lifted.splice(0);
    shown.port1.onmessage = () => since.forEach((at) => window.took.push(performance.now() - at));
    requestAnimationFrame(() => shown.port2.postMessage(null)); /* when the frame is made */
  }).observe(count, { characterData: true, childList: true, subtree: true });
}"""


def test_99_of_100_taps_show_within_50_ms_on_a_slow_tablet_with_2000_lines_waiting(tablet_on):
    tablet = tablet_on()
    tablet.open_shift(counter=100)
    tablet.page.context.set_offline(True)
    tablet.page.evaluate(QUEUE, QUEUED)
    tablet.await_logged(QUEUED)
    slow_down(tablet.page)
    tablet.page.evaluate(WATCH)
    # Whatever else runs on this computer slows a tap too: a disturbed round is taken again.
    rounds = [percentile(tap_and_measure(tablet), 99)]
    while min(rounds) >= MOST_MS and len(rounds) < ROUNDS:
        rounds.append(percentile(tap_and_measure(tablet), 99))
    assert min(rounds) < MOST_MS, rounds
    expect(tablet.page.locator("#saved-words")).to_have_text(
        f"{QUEUED + TAPS * len(rounds):,} not yet saved"
    )


def slow_down(page):
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})


def tap_and_measure(tablet):
    """Tap, and return how long each tap took to show, in milliseconds."""
    before = tablet.logged()
    for _ in range(TAPS):
        tablet.tap_good()
        tablet.page.wait_for_timeout(OLD_TABLET)
    tablet.await_logged(before + TAPS)
    took = tablet.page.evaluate("window.took.splice(0)")
    assert len(took) == TAPS
    return took


def percentile(values, percent):
    """Return the value that so many percent of them do not pass."""
    return sorted(values)[len(values) * percent // 100 - 1]


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
    tablet.reload()
    expect(tablet.page.locator("#screen-open")).to_be_visible()
    fetched = tablet.page.evaluate(
        "performance.getEntriesByType('resource').filter((one) => one.transferSize > 300)"
        ".map((one) => new URL(one.name).pathname)"
    )
    assert [path for path in fetched if not path.startswith("/api/tablet/")] == []
