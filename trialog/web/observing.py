"""Every request as it is seen from outside: its id, its route, how it ended, and whose it was.

What watches (the server's log, the metrics) is told once a request, when its last byte is out.
Ids only: no name, no address that somebody typed, nothing of what was sent.
"""

from __future__ import annotations

import logging
import re
import secrets
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, cast

from flask import Flask, Response, g, request
from flask.sansio.app import App
from sqlalchemy import inspect

from trialog.web.journal.forms import FACTS

if TYPE_CHECKING:
    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

HEADER = "X-Request-Id"
NOWHERE = "(none)"
"""The route of an address that leads nowhere: whatever is asked for, it is one route."""

_SEEN = "trialog.seen"
_WATCHERS = "trialog_watchers"
_WELL_FORMED = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{7,63}")
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_log = logging.getLogger("trialog.requests")


@dataclass
class Seen:
    """A request as it was seen from outside."""

    id: str
    method: str
    begun: float
    route: str = NOWHERE
    status: int = 500
    """Until something else is answered: a request that was never answered broke."""

    bytes_sent: int = 0
    seconds: float = 0.0
    who: dict[str, int] = field(default_factory=dict)


Watcher = Callable[[Seen], None]


def init_app(app: Flask) -> None:
    """Watch every request of an app, and write a line of the log for each."""
    app.extensions[_WATCHERS] = [_write_line]
    app.before_request(_note_route)
    app.after_request(_add_id)
    app.teardown_request(_note_who)
    app.jinja_env.globals["request_id"] = request_id
    app.wsgi_app = _Watched(app.wsgi_app, app.extensions[_WATCHERS])  # type: ignore[method-assign]  # Flask's own way to wrap it


def watch(app: App, watcher: Watcher) -> None:
    """Let something be told of every request of an app."""
    app.extensions[_WATCHERS].append(watcher)


def request_id() -> str:
    """Return the id of this request, as its answer and the server's log name it."""
    return _seen().id


def _seen() -> Seen:
    """Return what is seen of this request; one that came past the server is seen from here on."""
    return cast(Seen, request.environ.setdefault(_SEEN, _see(request.environ)))


def _note_route() -> None:
    if request.url_rule is not None:
        _seen().route = request.url_rule.rule


def _add_id(response: Response) -> Response:
    response.headers[HEADER] = request_id()
    return response


def _note_who(_error: BaseException | None) -> None:
    """Note whose request it was; what the database would have to be asked for is left out."""
    signed_in = getattr(g.get("_login_user"), "person", None)
    who = {
        "person": _id_of(signed_in),
        "tablet": _id_of(g.get("tablet")),
        "client": g.get("client_id"),
    }
    _seen().who = {name: number for name, number in who.items() if number is not None}


def _id_of(row: Any) -> int | None:
    """Return a row's id without a look into the database, which may be what fails."""
    state = inspect(row, raiseerr=False) if row is not None else None
    key = state.identity if state is not None else None
    return int(key[0]) if key else None


def _write_line(seen: Seen) -> None:
    facts = {
        "request": seen.id,
        "method": seen.method,
        "route": seen.route,
        "status": seen.status,
        "ms": round(seen.seconds * 1000, 1),
        "bytes": seen.bytes_sent,
        **seen.who,
    }
    level = logging.ERROR if seen.status >= 500 else logging.INFO
    _log.log(level, "request", extra={FACTS: facts})


def _see(environ: WSGIEnvironment) -> Seen:
    """Begin to watch a request, under the id that came with it if that is well formed."""
    given, method = str(environ.get("HTTP_X_REQUEST_ID", "")), str(environ.get("REQUEST_METHOD"))
    return Seen(
        id=given if _WELL_FORMED.fullmatch(given) else secrets.token_hex(8),
        method=method if method in _METHODS else "other",
        begun=time.monotonic(),
    )


class _Watched:
    """An app each of whose requests is told of when its answer is out."""

    def __init__(self, app: WSGIApplication, watchers: list[Watcher]) -> None:
        self._app, self._watchers = app, watchers

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        seen = environ[_SEEN] = _see(environ)

        def start(status: str, headers: Any, *rest: Any) -> Any:
            seen.status = int(status[:3])
            return start_response(status, headers, *rest)

        try:
            return _Answer(self._app(environ, start), seen, self._tell)
        except BaseException:
            self._tell(seen)
            raise

    def _tell(self, seen: Seen) -> None:
        seen.seconds = time.monotonic() - seen.begun
        for watcher in self._watchers:
            watcher(seen)


class _Answer:
    """The body of an answer, counted as it goes out; told of when it is closed."""

    def __init__(self, body: Iterable[bytes], seen: Seen, tell: Watcher) -> None:
        self._body, self._seen, self._tell = body, seen, tell

    def __iter__(self) -> Iterator[bytes]:
        for piece in self._body:
            self._seen.bytes_sent += len(piece)
            yield piece

    def close(self) -> None:
        """Close the body as a server must, and tell of the request."""
        try:
            if (close := getattr(self._body, "close", None)) is not None:
                close()
        finally:
            self._tell(self._seen)
