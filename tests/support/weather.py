"""Shop Wi-Fi between a browser and a server: a proxy that loses, delays and repeats."""

from __future__ import annotations

import http.client
import random
import socket
import struct
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from enum import StrEnum
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

ENTRIES = "/api/tablet/entries"
PATIENCE = 30
HOP_BY_HOP = frozenset({"connection", "keep-alive", "transfer-encoding", "content-length", "date"})
RESET = struct.pack("ii", 1, 0)  # linger for no time: the other side sees a reset


class Weather(StrEnum):
    """What becomes of a request."""

    CLEAR = "it arrives, and its answer too"
    REFUSED = "nobody listens"
    REQUEST_LOST = "it is lost on its way"
    ANSWER_LOST = "it arrives, its answer is lost"
    ANSWER_TORN = "it arrives, half of its answer comes back"
    SILENT = "it goes, and nothing ever comes back"


CUTS = tuple(weather for weather in Weather if weather is not Weather.CLEAR)


class LostError(OSError):
    """The connection ends here, as the weather wants it."""


class Proxy:
    """Stands at `url` before a server on a loopback port.

    `twice` delivers every batch of entries twice, one after the other or at the same moment.
    `answers` holds what is answered in the server's place: path to (content type, body);
    `headers` what is sent with that: path to pairs.
    `seen` lists what was forwarded: (method, path, status).
    """

    def __init__(self, port, *, seed=1):
        self.target = port
        self.weather = Weather.CLEAR
        self.delay = 0.0
        self.twice = False
        self.answers = {}
        self.headers = {}
        self.seen = []
        self.chance = random.Random(seed)
        self.changed = threading.Event()
        self.pool = ThreadPoolExecutor(4)
        self.server = _Server(("127.0.0.1", 0), _Handler)
        self.server.proxy = self
        self.url = f"http://127.0.0.1:{self.server.server_port}"
        self._thread = threading.Thread(target=self.server.serve_forever, args=(0.05,))
        self._thread.start()

    def turn(self, weather):
        """Change the weather; whoever still waits in silence learns that nothing comes."""
        self.weather = weather
        waiting, self.changed = self.changed, threading.Event()
        waiting.set()

    def stop(self):
        self.turn(Weather.REFUSED)
        self.server.shutdown()
        self.server.end_all()
        self.server.server_close()
        self._thread.join(PATIENCE)
        self.pool.shutdown()

    def answer(self, request):
        """Return the status, the headers and the body of the answer to a request."""
        if request.path not in self.answers:
            return self._pass_on(request)
        kind, body = self.answers[request.path]
        more = self.headers.get(request.path, [])
        return 200, [("Content-Type", kind), ("Cache-Control", "no-cache"), *more], body

    def _pass_on(self, request):
        """Forward a request as often as it has to arrive; return one of the answers."""
        if not (self.twice and request.path == ENTRIES):
            return self._deliver(request)
        if self.chance.random() < 0.5:
            found = [self._deliver(request), self._deliver(request)]
        else:
            found = list(self.pool.map(self._deliver, (request, request)))
        return self.chance.choice(found)

    def _deliver(self, request):
        connection = http.client.HTTPConnection("127.0.0.1", self.target, timeout=PATIENCE)
        try:
            connection.request(request.method, request.full_path, request.body, request.headers)
            answer = connection.getresponse()
            headers = [(n, v) for n, v in answer.getheaders() if n.lower() not in HOP_BY_HOP]
            found = answer.status, headers, answer.read()
        except (OSError, http.client.HTTPException) as error:
            raise LostError(str(error)) from error
        finally:
            connection.close()
        self.seen.append((request.method, request.path, found[0]))
        return found


class _Request:
    """A request as it came in."""

    def __init__(self, handler):
        self.method = handler.command
        self.full_path = handler.path
        self.path = handler.path.partition("?")[0]
        self.body = handler.rfile.read(int(handler.headers.get("Content-Length", 0)))
        self.headers = {
            name: value for name, value in handler.headers.items() if name.lower() != "connection"
        }


class _Server(ThreadingHTTPServer):
    """A server that knows its connections, so that it can end them."""

    daemon_threads = False

    def __init__(self, *args):
        self.open = set()
        super().__init__(*args)

    def process_request(self, request, client_address):
        self.open.add(request)
        super().process_request(request, client_address)

    def shutdown_request(self, request):
        self.open.discard(request)
        super().shutdown_request(request)

    def end_all(self):
        for connection in list(self.open):
            with _gone():
                connection.shutdown(socket.SHUT_RDWR)

    def handle_error(self, request, client_address):
        """Say nothing of a connection that ended: that is what this server is for."""


class _Handler(BaseHTTPRequestHandler):
    """One connection of the browser."""

    protocol_version = "HTTP/1.1"

    def log_message(self, *_):
        """Keep quiet."""

    def do_GET(self):
        try:
            self._answer(self.server.proxy)
        except LostError:
            self._reset()

    do_POST = do_PUT = do_HEAD = do_GET  # noqa: N815 - the names that http.server looks for

    def _answer(self, proxy):
        weather = proxy.weather
        if weather is Weather.REFUSED:
            raise LostError
        request = _Request(self)
        if weather is Weather.REQUEST_LOST:
            raise LostError
        if weather is Weather.SILENT:
            proxy.changed.wait(PATIENCE)
            raise LostError
        if proxy.delay:
            proxy.changed.wait(proxy.delay)
        found = proxy.answer(request)
        if weather is Weather.ANSWER_LOST:
            raise LostError
        self._send(*found, torn=weather is Weather.ANSWER_TORN)

    def _send(self, status, headers, body, *, torn):
        bodiless = self.command == "HEAD" or status in (204, 304)
        self.send_response_only(status)
        for name, value in headers:
            self.send_header(name, value)
        if not bodiless:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        if not bodiless:
            self.wfile.write(body[: len(body) // 2] if torn else body)
            self.wfile.flush()
        if torn:
            raise LostError

    def _reset(self):
        self.close_connection = True
        with _gone():
            self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
        with _gone():
            self.connection.close()


@contextmanager
def _gone():
    """Let pass that a connection is gone already."""
    try:
        yield
    except OSError:
        return
