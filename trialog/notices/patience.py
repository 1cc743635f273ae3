"""A limit in all on work that waits for others."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def within(seconds: float, work: Callable[[], T]) -> T:
    """Run work on a thread of its own, and go on without it after so many seconds.

    The time limit on a connection starts anew with each byte, and none holds for looking up a
    name: a server that says a little now and then could keep its caller for hours. The thread
    that is left behind ends with the connection, or with the process.

    Raises
    ------
    TimeoutError
        If the work is not done by then. What it raises itself comes out as it is.
    """
    results: list[T] = []
    errors: list[BaseException] = []

    def run() -> None:
        try:
            results.append(work())
        except BaseException as error:  # it belongs to the caller's thread, whatever it is
            errors.append(error)

    thread = threading.Thread(target=run, name="notice under way", daemon=True)
    thread.start()
    thread.join(seconds)
    if thread.is_alive():
        raise TimeoutError(f"it took longer than {seconds:g} s in all")
    if errors:
        raise errors[0]
    return results[0]
