"""Ask something that may hang, and have an answer in bounded time all the same."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Generic, TypeVar

T = TypeVar("T")


class Probe(Generic[T]):
    """A question that is asked in a thread of its own, one at a time, its answer kept a while.

    However many ask at once, and however often, it is asked once; while it hangs, nobody waits
    longer than `patience` seconds for it, and no second thread hangs beside the first.
    """

    def __init__(self, ask: Callable[[], T], *, patience: float, kept: float) -> None:
        self._ask, self._patience, self._kept = ask, patience, kept
        self._lock = threading.Lock()
        self._under_way: Future[T] | None = None
        self._begun = 0.0

    def answer(self) -> T:
        """Return the answer.

        Raises
        ------
        TimeoutError
            If there is none within the probe's patience.
        Exception
            Whatever the question itself raised.
        """
        with self._lock:
            now = time.monotonic()
            asked = self._under_way
            if asked is None or (asked.done() and now - self._begun > self._kept):
                asked, self._begun = Future(), now
                self._under_way = asked
                threading.Thread(target=self._run, args=[asked], name="probe", daemon=True).start()
            left = max(0.0, self._begun + self._patience - now)
        return asked.result(timeout=left)

    def _run(self, asked: Future[T]) -> None:
        try:
            asked.set_result(self._ask())
        except BaseException as error:
            asked.set_exception(error)
