"""A server behind the relay, and clients that speak TLS with it, well or badly."""

from __future__ import annotations

import http.client
import socket
import ssl
from contextlib import contextmanager
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import urlsplit

from support.browsing import serving

from trialog.web.server import MOST_CONNECTIONS, listen
from trialog.web.tls.doors import BehindDoors, Door
from trialog.web.tls.hostnames import HostNames
from trialog.web.tls.keeper import Keeper
from trialog.web.tls.relay import Relay

HERE = HostNames(
    ("shop-pc.local", "shop-pc", "localhost"),
    (ip_address("192.0.2.20"), ip_address("127.0.0.1"), ip_address("::1")),
)
PATIENCE = 20
"""Seconds after which a client gives up: far beyond any answer, so that only a block fails."""


def make_keeper(folder, now, host=HERE):
    """Return a keeper of an authority and a certificate for a computer that was made up."""
    return Keeper(folder, lambda: host, now=now)


@dataclass(frozen=True)
class Secured:
    """A server that answers by HTTPS at `port`, and by plain HTTP at `trust_port`."""

    keeper: Keeper
    port: int
    trust_port: int
    relay: Relay

    def trusting(self):
        """Return a client's context that trusts the server's authority and nobody else."""
        return ssl.create_default_context(cadata=self.keeper.authority.for_tablets)

    def raw(self):
        """Connect, and say nothing yet."""
        return socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE)

    def connect(self, name="localhost", *, context=None, source=None):
        """Connect and shake hands as a browser that opened this name."""
        plain = socket.create_connection(
            ("127.0.0.1", self.port), timeout=PATIENCE, source_address=source and (source, 0)
        )
        try:
            return (context or self.trusting()).wrap_socket(plain, server_hostname=name)
        except BaseException:
            plain.close()
            raise

    def get(self, path="/", *, source=None):
        """Return the status and the body of an answer by HTTPS."""
        with self.connect(source=source) as stream:
            return ask(stream, path)

    def get_plainly(self, path, method="GET"):
        """Return the status and the body of an answer at the door of trust."""
        with socket.create_connection(("127.0.0.1", self.trust_port), timeout=PATIENCE) as stream:
            return ask(stream, path, method)


def ask(stream, path="/", method="GET", body=b"", headers=()):
    """Send a request over a connection, and return status and body of the answer."""
    lines = [f"{method} {path} HTTP/1.1", "Host: localhost", "Connection: close", *headers]
    if body:
        lines.append(f"Content-Length: {len(body)}")
    stream.sendall("\r\n".join([*lines, "", ""]).encode() + body)
    return read_answer(stream)


def read_answer(stream):
    answer = http.client.HTTPResponse(stream)
    answer.begin()
    return answer.status, answer.read()


@contextmanager
def secured(app, keeper, *, most=MOST_CONNECTIONS):
    """Serve an app by HTTPS on free loopback ports."""
    callers = {}
    with (
        serving(BehindDoors(app, callers)) as inside,
        listen("127.0.0.1", 0) as listener,
        listen("127.0.0.1", 0) as trust_listener,
    ):
        doors = [
            Door(listener, lambda: keeper.context, b"HTTP/1.1 400 No\r\n\r\nHTTPS only"),
            Door(trust_listener),
        ]
        port = urlsplit(inside).port
        relay = Relay(doors, ("127.0.0.1", port), callers, most=most)
        relay.start()
        try:
            yield Secured(keeper, doors[0].port, doors[1].port, relay)
        finally:
            relay.stop()
