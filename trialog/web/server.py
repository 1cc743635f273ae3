"""Serve the app on a real WSGI server."""

from __future__ import annotations

import errno
import logging
import select
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Protocol

import waitress  # type: ignore[import-untyped]  # it has no types
from flask import Flask
from waitress.wasyncore import close_all, loop  # type: ignore[import-untyped]  # it has no types

from trialog.errors import ConflictError, InvalidValueError
from trialog.web.database import state
from trialog.web.ending import Ending, ending_of
from trialog.web.journal.forms import FACTS
from trialog.web.security import LARGEST_REQUEST

if TYPE_CHECKING:
    from _typeshed.wsgi import WSGIApplication

THREADS = 8
MOST_CONNECTIONS = 1000
"""Connections at once: 300 tablets with a few each. Who comes on top waits until one ends."""

HANDLES_EACH, HANDLES_BESIDES = 3, 200
"""File handles of a connection that comes in through the relay, and those of all else."""

BACKLOG = 1024
"""Who may wait to be let in: after an outage all tablets come back at once."""

_POLLS = hasattr(select, "poll")
"""Unlike `select` it knows no highest handle."""

_TURN_SECONDS = 0.5
"""How long the loop waits when nothing happens before it looks up."""

_log = logging.getLogger(__name__)
_TAKEN = {errno.EADDRINUSE, errno.EACCES, errno.EPERM}


class Listen(Protocol):
    """How a port is opened, see `listen`."""

    def __call__(self, host: str, port: int, *, option: str = ...) -> socket.socket: ...


def serve(
    app: Flask,
    host: str,
    port: int,
    *,
    announce: Callable[[str], None] = print,
    opening: Listen | None = None,
) -> None:
    """Serve an app until it is interrupted. `announce` gets the address once it answers.

    Port 0 takes any free one. `opening` opens the port otherwise than `listen` does.

    Raises
    ------
    ConflictError
        If the port is taken, or the user may not have it.
    InvalidValueError
        If the host is not an address of this computer.
    """
    ending, seconds = ending_of(app), state(app).settings.stop_seconds
    with (
        (opening or listen)(host, port) as listener,
        wsgi_server(app, listener, ending=ending, stop_seconds=seconds) as server,
    ):
        announce(address_of(host, listener))
        server.run()


class WsgiServer:
    """The WSGI server on a listening socket; `stop_seconds` bound how long its end takes."""

    def __init__(
        self,
        app: WSGIApplication,
        listener: socket.socket,
        *,
        ending: Ending,
        stop_seconds: float,
        connection_limit: int | None = None,
    ) -> None:
        self._ending, self._stop_seconds = ending, stop_seconds
        self._sockets: dict[int, object] = {}
        self._server = waitress.create_server(
            app,
            map=self._sockets,
            sockets=[listener],
            threads=THREADS,
            ident=None,
            connection_limit=connection_limit or room_for_connections(),
            # Above the app's own limit, whose page says in words what to do.
            max_request_body_size=2 * LARGEST_REQUEST,
        )

    def run(self) -> None:
        """Serve until it is asked to end, or interrupted; then answer the requests under way."""
        self._ending.heeded_by(self._server.pull_trigger)
        try:
            with suppress(KeyboardInterrupt):
                while not self._ending.asked:
                    self._turn()
            with suppress(KeyboardInterrupt):  # whoever presses the keys again does not wait
                self._finish()
        finally:
            self._ending.heeded_by(None)
            self._server.task_dispatcher.shutdown(timeout=0)

    def _turn(self) -> None:
        """Wait a moment for something to do on any connection, and do it."""
        loop(timeout=_TURN_SECONDS, use_poll=_POLLS, map=self._sockets, count=1)

    def _finish(self) -> None:
        """Let the requests under way be answered, and the answers go out; new ones are refused."""
        self._ending.asked = True
        _log.info("stopping")
        begun = time.monotonic()
        while (busy := self._busy()) and time.monotonic() - begun < self._stop_seconds:
            self._turn()
        if busy:
            _log.warning("stopped with requests unanswered", extra={FACTS: {"requests": busy}})

    def _busy(self) -> int:
        """Count the connections with a request under way, or an answer that is not out yet."""
        channels = list(self._server.active_channels.values())
        return sum(1 for one in channels if one.requests or one.total_outbufs_len)

    def end(self) -> None:
        """Close all of its connections."""
        close_all(self._sockets, ignore_all=True)


@contextmanager
def wsgi_server(
    app: WSGIApplication, listener: socket.socket, **options: Any
) -> Iterator[WsgiServer]:
    """Make the WSGI server on a listening socket, and close it afterwards."""
    server = WsgiServer(app, listener, **options)
    try:
        yield server
    finally:
        server.end()


def room_for_connections() -> int:
    """Return how many connections there is room for, once the system was asked for handles."""
    try:
        import resource  # noqa: PLC0415 - only Unix has it, and limits
    except ImportError:
        return MOST_CONNECTIONS
    wanted = HANDLES_EACH * MOST_CONNECTIONS + HANDLES_BESIDES
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if resource.RLIM_INFINITY != soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        return max((soft - HANDLES_BESIDES) // HANDLES_EACH, THREADS)
    return MOST_CONNECTIONS


def listen(host: str, port: int, *, option: str = "--port") -> socket.socket:
    """Open the port before anything else runs, so that a refusal comes at once."""
    try:
        family, *_, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        return socket.create_server((str(address[0]), port), family=family, backlog=BACKLOG)
    except (OSError, UnicodeError) as error:
        if isinstance(error, OSError) and error.errno in _TAKEN:
            raise ConflictError(
                f"port {port} on {host} is taken or not open to this user; stop what uses it, or "
                f"choose another with {option}"
            ) from error
        raise InvalidValueError("host", "be an address of this computer", host) from error


def address_of(host: str, listener: socket.socket) -> str:
    """Return the address to open in a browser."""
    port = listener.getsockname()[1]
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
