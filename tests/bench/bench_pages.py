"""How long the server takes for a page of the demo, and when a slow computer shows its charts."""

from __future__ import annotations

import gc
import math
import statistics
import time

import pytest

TIMES, LIMIT = 60, 0.1
SLOWER, LOOKS = 4, 5

# From the start of the navigation to the first chart's being there: the text is read before that.
DRAWN_AT = """() => new Promise((resolve) => {
  const look = () => document.querySelector("[data-drawn]")
    ? resolve(performance.now()) : setTimeout(look, 5);
  look();
})"""


@pytest.fixture(autouse=True)
def as_served(demo_pages):
    """Leave what is loaded out of the search for garbage, as `trialog serve` does."""
    demo_pages.client.get(demo_pages.shift)
    gc.collect()
    gc.freeze()
    yield
    gc.unfreeze()


def percentile_95(client, path):
    """Return what the server took for 95 of 100 answers at most, in seconds."""
    took = []
    for _ in range(TIMES + 3):
        begun = time.perf_counter()
        answer = client.get(path)
        assert answer.status_code == 200
        took.append(time.perf_counter() - begun)
    return sorted(took[3:])[math.ceil(0.95 * TIMES) - 1]


def bench_home_page(demo_pages, measured):
    """95 of 100 answers of the home page within."""
    measured(percentile_95(demo_pages.client, demo_pages.home), seconds=LIMIT)


def bench_trial_pages(demo_pages, measured):
    """95 of 100 answers of the slowest trial's page within."""
    slowest = max(percentile_95(demo_pages.client, path) for path in demo_pages.trials)
    measured(slowest, seconds=LIMIT)


def bench_shift_page(demo_pages, measured):
    """95 of 100 answers of a shift's page with four trials within."""
    measured(percentile_95(demo_pages.client, demo_pages.shift), seconds=LIMIT)


def bench_cell_page(demo_pages, measured):
    """95 of 100 answers of the cell's page within."""
    measured(percentile_95(demo_pages.client, demo_pages.cell), seconds=LIMIT)


def bench_readiness_page(demo_pages, measured):
    """95 of 100 answers of the cell's readiness page within."""
    measured(percentile_95(demo_pages.client, demo_pages.readiness), seconds=LIMIT)


def bench_fleet_page(demo_pages, measured):
    """95 of 100 answers of the fleet's page within."""
    measured(percentile_95(demo_pages.client, demo_pages.fleet), seconds=LIMIT)


def bench_charts_on_a_slow_computer(demo_pages, demo_browser, measured):
    """A dossier's first chart is there within; 4 times slower."""
    page, url = demo_browser
    devtools = page.context.new_cdp_session(page)
    page.goto(url + demo_pages.trials[0])
    devtools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
    drawn_at = []
    for _ in range(LOOKS):
        page.goto(url + demo_pages.trials[0], wait_until="commit")
        drawn_at.append(page.evaluate(DRAWN_AT) / 1000)
    measured(statistics.median(drawn_at), seconds=2)
