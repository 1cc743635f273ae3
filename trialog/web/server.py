"""Serve the app on a real WSGI server."""

from __future__ import annotations

import errno
import socket
from collections.abc import Callable

import waitress  # type: ignore[import-untyped]  # it has no types
from flask import Flask

from trialog.errors import ConflictError, InvalidValueError
from trialog.web.security import LARGEST_REQUEST

THREADS = 8
_TAKEN = {errno.EADDRINUSE, errno.EACCES, errno.EPERM}


def serve(app: Flask, host: str, port: int, *, announce: Callable[[str], None] = print) -> None:
    """Serve an app until it is interrupted. `announce` gets the address once it answers.

    Port 0 takes any free one.

    Raises
    ------
    ConflictError
        If the port is taken, or the user may not have it.
    InvalidValueError
        If the host is not an address of this computer.
    """
    with listen(host, port) as listener:
        server = waitress.create_server(
            app,
            sockets=[listener],
            threads=THREADS,
            ident=None,
            # Above the app's own limit, whose page says in words what to do.
            max_request_body_size=2 * LARGEST_REQUEST,
        )
        try:
            announce(address_of(host, listener))
            server.run()
        finally:
            server.close()


def listen(host: str, port: int) -> socket.socket:
    """Open the port before anything else runs, so that a refusal comes at once."""
    try:
        family, *_, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        return socket.create_server((str(address[0]), port), family=family, backlog=128)
    except (OSError, UnicodeError) as error:
        if isinstance(error, OSError) and error.errno in _TAKEN:
            raise ConflictError(
                f"port {port} on {host} is taken or not open to this user; stop what uses it, or "
                "choose another with --port"
            ) from error
        raise InvalidValueError("host", "be an address of this computer", host) from error


def address_of(host: str, listener: socket.socket) -> str:
    """Return the address to open in a browser."""
    port = listener.getsockname()[1]
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
