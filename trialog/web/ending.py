"""The end of a server: asked for once, heeded by what serves, and told to who comes meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

from flask import Flask, current_app, request

from trialog.errors import StoppingError

_NAME = "trialog_ending"
STILL_ANSWERED = frozenset({"health.live", "health.ready"})
"""What goes on answering while the server ends: whoever asks how it is shall hear that."""


class Ending:
    """Whether a server is to end. Safe to ask from any thread, and from a signal's handler."""

    def __init__(self) -> None:
        self.asked = False
        self._wake: Callable[[], None] | None = None

    def heeded_by(self, wake: Callable[[], None] | None) -> None:
        """Say what wakes the loop that serves, while there is one."""
        self._wake = wake

    def ask(self) -> bool:
        """Ask the server to end; False where nothing serves, or it was asked before."""
        if self._wake is None or self.asked:
            return False
        self.asked = True
        self._wake()
        return True


def init_app(app: Flask) -> None:
    """Refuse what comes while the server ends: it comes again, and another one answers."""
    app.extensions[_NAME] = Ending()
    app.before_request(_refuse_while_ending)


def ending_of(app: Flask) -> Ending:
    """Return the end of the server that an app is served by."""
    return cast(Ending, app.extensions[_NAME])


def is_ending() -> bool:
    """Say whether the server of this request is about to end."""
    return ending_of(current_app).asked


def _refuse_while_ending() -> None:
    if is_ending() and request.endpoint not in STILL_ANSWERED:
        raise StoppingError(
            "The server is being stopped, or started anew, so nothing of this was taken. "
            "Try again in a minute."
        )
