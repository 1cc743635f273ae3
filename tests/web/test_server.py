"""The server behind `trialog serve`."""

from __future__ import annotations

import json
import resource
import socket
import urllib.request
from contextlib import ExitStack
from http.client import HTTPConnection

import pytest
from support.killable import KillableServer

from trialog.errors import ConflictError, InvalidValueError
from trialog.web.server import (
    HANDLES_BESIDES,
    HANDLES_EACH,
    MOST_CONNECTIONS,
    address_of,
    listen,
    room_for_connections,
    serve,
)


class StoppedError(Exception):
    """Stands for somebody who stops the server."""


def test_the_address_is_announced_once_it_answers_to_a_connection(app):
    def announce(url):
        port = int(url.rstrip("/").rpartition(":")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=5):
            raise StoppedError(url)

    with pytest.raises(StoppedError, match=r"http://127\.0\.0\.1:\d+/"):
        serve(app, "127.0.0.1", 0, announce=announce)


def test_a_taken_port_is_named_before_anything_starts(app):
    with listen("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ConflictError, match=f"port {port} on 127.0.0.1 is taken"):
            serve(app, "127.0.0.1", port, announce=pytest.fail)


def test_a_host_that_is_not_this_computer_is_refused(monkeypatch):
    def unknown(*_args, **_options):
        raise socket.gaierror(socket.EAI_NONAME, "unknown")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    with pytest.raises(InvalidValueError, match="host must be an address of this computer"):
        listen("nowhere.invalid", 0)


def test_an_ipv6_address_is_written_in_brackets():
    with listen("127.0.0.1", 0) as listener:
        assert address_of("::1", listener).startswith("http://[::1]:")


def test_it_answers_over_a_real_connection(live_server):
    with urllib.request.urlopen(f"{live_server.url}/health") as answer:  # noqa: S310 - loopback
        assert json.load(answer) == {"status": "ok"}


IDLE = 150


@pytest.mark.database("sqlite")  # connections are the web server's
def test_many_tablets_that_keep_their_connections_keep_nobody_out(database, tmp_path):
    server = KillableServer(database, tmp_path)
    server.start()
    with ExitStack() as open_ones:
        open_ones.callback(server.kill)
        for _ in range(IDLE):
            held = HTTPConnection("127.0.0.1", server.port, timeout=10)
            open_ones.callback(held.close)
            held.request("GET", "/health/live")
            assert held.getresponse().read()
        held = HTTPConnection("127.0.0.1", server.port, timeout=10)
        open_ones.callback(held.close)
        held.request("GET", "/health/live")
        assert held.getresponse().status == 200


def test_it_asks_the_system_for_the_file_handles_that_it_needs(monkeypatch):
    asked = []
    monkeypatch.setattr(resource, "getrlimit", lambda _kind: (1024, 2000))
    monkeypatch.setattr(resource, "setrlimit", lambda _kind, limits: asked.append(limits))
    assert room_for_connections() == (2000 - HANDLES_BESIDES) // HANDLES_EACH
    assert asked == [(2000, 2000)]
    monkeypatch.setattr(resource, "getrlimit", lambda _kind: (65536, 65536))
    assert room_for_connections() == MOST_CONNECTIONS
    assert len(asked) == 1
