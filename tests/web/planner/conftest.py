"""A clock for what must be quick."""

from __future__ import annotations

import time

import pytest


@pytest.fixture
def benchmark_clock():
    """Return a function that runs another and says how many seconds of work it took."""

    def timed(work):
        start = time.process_time()
        found = work()
        return time.process_time() - start, found

    return timed
