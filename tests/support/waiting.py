"""Waiting for what another thread or process does."""

from __future__ import annotations

import time

LONGEST = 60
"""Seconds after which it is taken not to come; a busy machine is slow, not wrong."""


def until(holds):
    """Wait for something that must come to hold."""
    end = time.monotonic() + LONGEST
    while not holds():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.02)
