"""The doors of a server, and what the app behind them learns of who came through which."""

from __future__ import annotations

import re
import socket
import ssl
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

TRUST_PAGE = "/trust"
CERTIFICATE = "/trust/trialog-ca.crt"
_STYLE = re.compile(r"/static/[a-z-]+\.(?:css|svg)")
"""Exactly what the page of trust is made of; nothing else goes over plain HTTP."""


@dataclass(frozen=True)
class Door:
    """A port that is open to the network."""

    listener: socket.socket
    context: Callable[[], ssl.SSLContext] | None = None
    """What TLS is spoken with, asked for at each connection; None: plain HTTP, trust page only."""

    hint: bytes = b""
    """The whole answer to who speaks plain HTTP where TLS is expected."""

    @property
    def port(self) -> int:
        """The port's number."""
        return int(self.listener.getsockname()[1])


@dataclass(frozen=True)
class Caller:
    """Who is at the other end of a connection, and the door it came through."""

    address: str
    port: int
    door: Door


Callers = dict[int, Caller]
"""By the port of the relay's own end, which the WSGI server sees as its client."""


class BehindDoors:
    """An app that sees who called instead of the relay, and that it was by HTTPS."""

    def __init__(self, app: WSGIApplication, callers: Callers) -> None:
        self._app = app
        self._callers = callers

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        """Answer a request; one that did not come through a door is refused."""
        caller = self._callers.get(int(environ["REMOTE_PORT"]))
        if caller is None:
            return _refuse(start_response, "403 Forbidden", b"Use the server's own address.\n")
        environ["REMOTE_ADDR"] = environ["REMOTE_HOST"] = caller.address
        environ["REMOTE_PORT"] = str(caller.port)
        environ["SERVER_PORT"] = str(caller.door.port)
        environ["wsgi.url_scheme"] = "http" if caller.door.context is None else "https"
        if caller.door.context is None:
            return self._answer_plainly(environ, start_response)
        return self._app(environ, start_response)

    def _answer_plainly(
        self, environ: WSGIEnvironment, start_response: StartResponse
    ) -> Iterable[bytes]:
        environ.pop("HTTP_COOKIE", None)  # nobody is signed in here
        path = environ.get("PATH_INFO", "")
        if path in ("", "/"):
            path = environ["PATH_INFO"] = TRUST_PAGE
        known = path in (TRUST_PAGE, CERTIFICATE) or _STYLE.fullmatch(path)
        if not known or environ["REQUEST_METHOD"] not in ("GET", "HEAD"):
            words = f"Only {TRUST_PAGE} is here; the rest is at the https address it names.\n"
            return _refuse(start_response, "404 Not Found", words.encode())
        return self._app(environ, start_response)


def _refuse(start_response: StartResponse, status: str, words: bytes) -> Iterable[bytes]:
    kind = ("Content-Type", "text/plain; charset=utf-8")
    start_response(status, [kind, ("Content-Length", str(len(words)))])
    return [words]
