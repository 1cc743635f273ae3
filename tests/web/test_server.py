"""The server behind `trialog serve`."""

from __future__ import annotations

import json
import socket
import urllib.request

import pytest

from trialog.errors import ConflictError, InvalidValueError
from trialog.web.server import address_of, listen, serve


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
