"""The whole server in this process: it renews while it runs, and ends without a trace."""

from __future__ import annotations

import os
import signal
import socket
import ssl
import threading
from contextlib import suppress
from dataclasses import replace
from types import SimpleNamespace

import pytest
from support.https import PATIENCE, ask

from trialog.cli.signals import heeding_signals
from trialog.errors import ConflictError, InvalidValueError
from trialog.web.database import state
from trialog.web.ending import ending_of
from trialog.web.server import listen
from trialog.web.tls import hostnames
from trialog.web.tls.serving import serve_tls


class StoppedError(Exception):
    """Stands for somebody who stops the server."""


@pytest.fixture
def settings(app, tmp_path):
    """Return settings that serve HTTPS on any free ports of the loopback."""
    given = {"host": "127.0.0.1", "port": 0, "tls": True, "data_folder": tmp_path / "data"}
    return replace(state(app).settings, **given)


def status_at(trust, name):
    context = ssl.create_default_context(cadata=trust.keeper.authority.for_tablets)
    with (
        socket.create_connection(("127.0.0.1", trust.port), timeout=PATIENCE) as plain,
        context.wrap_socket(plain, server_hostname=name) as stream,
    ):
        return ask(stream, "/health")[0]


def free_pair():
    """Return a free port with a free one after it."""
    while True:
        with listen("127.0.0.1", 0) as found:
            port = found.getsockname()[1]
            with suppress(ConflictError), listen("127.0.0.1", port + 1):
                return port


def give_address(monkeypatch, *addresses):
    """Give the computer an interface with these addresses."""
    entries = {"eth0": [SimpleNamespace(address=address) for address in addresses]}
    monkeypatch.setattr(hostnames.psutil, "net_if_addrs", lambda: entries)
    monkeypatch.setattr(hostnames.psutil, "net_if_stats", dict)


@pytest.mark.database("sqlite")  # what is looked at comes before the database
def test_a_new_address_is_served_without_a_restart(app, settings, monkeypatch):
    give_address(monkeypatch, "192.0.2.20")
    seen, renewed = [], threading.Event()

    def visit(trust):
        renew = trust.keeper.renew_if_due

        def noted(now):
            why = renew(now)
            if why:
                renewed.set()
            return why

        trust.keeper.renew_if_due = noted
        try:
            seen.append(status_at(trust, "192.0.2.20"))
            give_address(monkeypatch, "192.0.2.20", "192.0.2.77")
            seen.append(renewed.wait(PATIENCE))
            seen.append(status_at(trust, "192.0.2.77"))
        finally:
            os.kill(os.getpid(), signal.SIGINT)  # what Ctrl-C does

    visitor = []

    def announce(trust):
        visitor.append(threading.Thread(target=visit, args=[trust]))
        visitor[0].start()

    with heeding_signals(ending_of(app).ask):
        serve_tls(app, settings, announce=announce, check_seconds=0.01)
    visitor[0].join()
    assert seen == [200, True, 200]


@pytest.mark.database("sqlite")
def test_whatever_stops_it_leaves_no_thread_and_no_open_port(app, settings):
    ports = []

    def announce(trust):
        ports.extend([trust.port, trust.trust_port])
        raise StoppedError

    with pytest.raises(StoppedError):
        serve_tls(app, settings, announce=announce)
    names = {thread.name for thread in threading.enumerate()}
    assert not names & {"relay", "certificate renewal"}
    for port in ports:
        listen("127.0.0.1", port).close()


@pytest.mark.database("sqlite")
def test_the_page_of_trust_is_one_port_above_by_default(app, settings):
    seen, port = [], free_pair()

    def announce(trust):
        seen.append((trust.port, trust.trust_port))
        raise StoppedError

    with pytest.raises(StoppedError):
        serve_tls(app, replace(settings, port=port), announce=announce)
    assert seen == [(port, port + 1)]


@pytest.mark.database("sqlite")
def test_above_the_last_port_there_is_none(app, settings):
    with pytest.raises(InvalidValueError, match="--trust-port"):
        serve_tls(app, replace(settings, port=65535), announce=pytest.fail)
