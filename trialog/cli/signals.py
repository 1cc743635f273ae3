"""What ends a command that runs until it is told to stop."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any


@contextmanager
def heeding_signals(end: Callable[[], None]) -> Iterator[None]:
    """Call something at SIGTERM and at Ctrl-C, for as long as this lasts."""

    def heed(_number: int, _frame: Any) -> None:
        end()

    before = {number: signal.signal(number, heed) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
