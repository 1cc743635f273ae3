"""How soon a tap shows on a slow tablet: a sixth of this machine's speed, with a long queue."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.database("sqlite")  # the tablet does not know which one answers

SLOWER, QUEUED = 6, 2_000

QUEUE = """async (count) => {
  const add = () => window.trialog.outbox.add({ kind: "good", cycles: 1 });
  await Promise.all(Array.from({ length: count }, add));
}"""

TAP = """async () => {
  const good = document.getElementById("good");
  const box = good.getBoundingClientRect();
  const at = {
    bubbles: true, pointerId: 1, button: 0, clientX: box.x + 9, clientY: box.y + 9,
  };
  const shown = new Promise((done) => {
    const watch = new MutationObserver(() => {
      watch.disconnect();
      const frame = new MessageChannel();
      frame.port1.onmessage = done;
      requestAnimationFrame(() => frame.port2.postMessage(null));
    });
    watch.observe(document.getElementById("logged"), {
      characterData: true, childList: true, subtree: true,
    });
  });
  good.dispatchEvent(new PointerEvent("pointerdown", at));
  good.dispatchEvent(new PointerEvent("pointerup", at));
  await shown;
}"""


@pytest.fixture
def slow_tablet(tablet_on):
    """Return a function that gives the page of a slow tablet with lines waiting to be sent."""

    def make(waiting):
        tablet = tablet_on()
        tablet.open_shift(counter=100)
        tablet.page.context.set_offline(True)
        tablet.page.evaluate(QUEUE, waiting)
        tablet.await_logged(waiting)
        session = tablet.page.context.new_cdp_session(tablet.page)
        session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
        return tablet.page

    return make


def bench_tap_with_2000_lines_waiting(within, slow_tablet):
    """A tap on disk and shown, 6 times slower, 2,000 lines waiting."""
    page = slow_tablet(QUEUED)
    within(lambda: page.evaluate(TAP), seconds=0.05)
