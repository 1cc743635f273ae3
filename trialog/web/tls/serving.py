"""Serve the app over HTTPS: the WSGI server on the loopback, the relay in front of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from functools import partial

from flask import Flask

from trialog.errors import InvalidValueError
from trialog.web.database import state
from trialog.web.ending import ending_of
from trialog.web.server import Listen, listen, room_for_connections, wsgi_server
from trialog.web.settings import LAST_PORT, Settings
from trialog.web.tls.doors import BehindDoors, Callers, Door
from trialog.web.tls.hostnames import find_host_names
from trialog.web.tls.keeper import CHECK_SECONDS, Keeper, renewing
from trialog.web.tls.relay import Relay
from trialog.web.tls.trust import Trust, set_trust

FOLDER = "tls"
TRUST_OPTION = "--trust-port"
_LOOPBACK = "127.0.0.1"
_SPARE = 20
"""Sockets that the WSGI server counts as connections beside those of the relay."""


def serve_tls(
    app: Flask,
    settings: Settings,
    *,
    announce: Callable[[Trust], None],
    opening: Listen = listen,
    check_seconds: float = CHECK_SECONDS,
    most: int | None = None,
) -> None:
    """Serve an app over HTTPS until it is interrupted. `announce` is called once it answers.

    `opening` opens the ports otherwise than `listen` does.

    Raises
    ------
    ConflictError
        If a port is taken, or the user may not have it.
    InvalidValueError
        If a setting, or what the data folder keeps for HTTPS, is not usable.
    """
    with ExitStack() as stack:
        listener = stack.enter_context(opening(settings.host, settings.port))
        trust_listener = None
        if (trust_port := trust_port_of(settings)) is not None:
            opened = opening(settings.host, trust_port, option=TRUST_OPTION)
            trust_listener = stack.enter_context(opened)
        keeper = keeper_of(settings)
        trust = Trust(
            keeper,
            listens_on=str(listener.getsockname()[0]),
            port=int(listener.getsockname()[1]),
            trust_port=int(trust_listener.getsockname()[1]) if trust_listener else None,
        )
        set_trust(app, trust)
        doors = [Door(listener, lambda: keeper.context, _hint(trust))]
        doors += [Door(trust_listener)] if trust_listener else []
        stack.enter_context(renewing(keeper, every=check_seconds))
        _run(app, doors, most or room_for_connections(), lambda: announce(trust))


def keeper_of(settings: Settings) -> Keeper:
    """Open the authority and the certificate of a server, and make what is missing."""
    names = partial(find_host_names, settings.tls_names)
    return Keeper(settings.data_folder / FOLDER, names, now=datetime.now(UTC))


def trust_port_of(settings: Settings) -> int | None:
    """Return the plain port of the page of trust, by default the one after the server's own.

    Raises
    ------
    InvalidValueError
        If no port comes after that.
    """
    if settings.trust_port == 0:
        return None
    port = settings.trust_port
    if port is None:
        # Where any free port will do for the server, any will do for the page.
        port = 0 if settings.port == 0 else settings.port + 1
    if port > LAST_PORT:
        rule = f"be chosen with {TRUST_OPTION}, for no port comes after {LAST_PORT}"
        raise InvalidValueError("port of the page of trust", rule, port)
    return port


def _run(app: Flask, doors: list[Door], most: int, announce: Callable[[], None]) -> None:
    callers: Callers = {}
    behind = BehindDoors(app, callers)
    end = {"ending": ending_of(app), "stop_seconds": state(app).settings.stop_seconds}
    with (
        listen(_LOOPBACK, 0) as inside,
        wsgi_server(behind, inside, connection_limit=most + _SPARE, **end) as server,
    ):
        relay = Relay(doors, inside.getsockname()[:2], callers, most=most)
        with _relaying(relay, server.end):
            announce()
            server.run()


@contextmanager
def _relaying(relay: Relay, end_server: Callable[[], None]) -> Iterator[None]:
    relay.start()
    try:
        yield
    finally:
        end_server()  # first: what it has answered still flows out through the relay
        relay.stop()


def _hint(trust: Trust) -> bytes:
    """Answer who asks by plain HTTP where TLS is spoken: an old bookmark, a forgotten s."""
    words = (
        "This server speaks HTTPS only.\n"
        f"Open {trust.addresses[0]} instead"
        f" (the first time, see {trust.page} on how to trust it).\n"
    ).encode()
    head = (
        "HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain; charset=utf-8\r\n"
        f"Content-Length: {len(words)}\r\nCache-Control: no-store\r\nConnection: close\r\n\r\n"
    )
    return head.encode() + words
