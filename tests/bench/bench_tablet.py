"""How soon a tap shows on a slow tablet: a sixth of this machine's speed, with a long queue."""

from __future__ import annotations

import math

import pytest

pytestmark = pytest.mark.database("sqlite")  # the tablet does not know which one answers

SLOWER, QUEUED, TAPS = 6, 2_000, 200

QUEUE = """async (count) => {
  const add = () => window.trialog.outbox.add({ kind: "good", cycles: 1 });
  await Promise.all(Array.from({ length: count }, add));
}"""

# W3C Event Timing: from the finger's leaving the glass to the next frame on the screen, in ms,
# in steps of 8. The frame is the one that the count is in: it changes in the event itself.
WATCH = """() => {
  window.taps = [];
  const kept = (list) => list.getEntries().filter((event) => event.name === "pointerup")
    .forEach((event) => window.taps.push(event.duration));
  new PerformanceObserver(kept).observe({ type: "event", durationThreshold: 16 });
}"""


def tap(page, devtools, box):
    """Put a finger on the middle of a target for a moment, as a hand does."""
    at = {"x": box["x"] + box["width"] / 2, "y": box["y"] + box["height"] / 2}
    devtools.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [at]})
    page.wait_for_timeout(60)
    devtools.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_timeout(250)


def percentile(times, taps, share):
    """Return a percentile of all taps; those that took less than 16 ms are not among `times`."""
    return sorted([*[16.0] * (taps - len(times)), *times])[math.ceil(share * taps) - 1]


@pytest.fixture
def slow_tablet(tablet_on):
    """Return a function that gives the page of a slow tablet with lines waiting to be sent."""

    def make(waiting):
        tablet = tablet_on()
        tablet.open_shift(counter=100)
        tablet.page.context.set_offline(True)
        tablet.page.evaluate(QUEUE, waiting)
        tablet.await_logged(waiting)
        devtools = tablet.page.context.new_cdp_session(tablet.page)
        devtools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
        return tablet.page, devtools

    return make


@pytest.fixture
def taps_take(slow_tablet):
    """Return a function that gives how long a share of the taps take at most, in seconds."""

    def run(share):
        page, devtools = slow_tablet(QUEUED)
        page.evaluate(WATCH)
        before = page.locator("#logged").text_content()
        for _ in range(TAPS):
            tap(page, devtools, page.locator("#good").bounding_box())
        assert page.locator("#logged").text_content() != before
        return percentile(page.evaluate("window.taps"), TAPS, share) / 1000

    return run


def bench_half_of_taps(taps_take, measured):
    """Half of the taps show within; 6 times slower, 2,000 lines wait."""
    measured(taps_take(0.5), seconds=0.05)


def bench_nearly_all_taps(taps_take, measured):
    """99 % of the taps show within; 6 times slower, 2,000 lines wait."""
    measured(taps_take(0.99), seconds=0.05)
