"""A real HTTP receiver of webhooks on the loopback that keeps what it is sent."""

from __future__ import annotations

import http.client
import socket
import threading
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass(frozen=True)
class Received:
    """One request as it came."""

    path: str
    headers: dict
    body: bytes


class Receiver:
    """What came, and how it is answered: `answer` gets each request and returns a status."""

    def __init__(self):
        self.received = []
        self.answer = lambda _request: 204
        self.headers = {}
        self.came = threading.Semaphore(0)
        """Goes up by one with each request, before it is answered."""
        self.url = ""


def _handler(receiver):
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            body = self.rfile.read(int(self.headers["Content-Length"]))
            request = Received(self.path, dict(self.headers), body)
            receiver.received.append(request)
            receiver.came.release()
            status = receiver.answer(request)
            with suppress(OSError):  # whoever asked may have gone
                self.send_response(status)
                for name, value in receiver.headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", "0")
                self.end_headers()

        def log_message(self, *_words):
            pass

    return Handler


@contextmanager
def http_receiver(tls=None):
    """Run a receiver on a free port."""
    receiver = Receiver()
    server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(receiver))
    server.daemon_threads = True
    scheme = "http"
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
        server.handle_error = lambda *_args: None  # a client that does not trust it hangs up
        scheme = "https"
    receiver.url = f"{scheme}://localhost:{server.server_port}/hooks?from=trialog"
    thread = threading.Thread(target=server.serve_forever, args=[0.01], name="receiver")
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def hear_out(visitor):
    """Read a whole request: who closes with some of it unread takes the answer back."""
    with visitor.makefile("rb") as heard:
        head = http.client.parse_headers(heard) if heard.readline() else {}
        heard.read(int(head.get("Content-Length", 0)))


@contextmanager
def raw_receiver(pieces):
    """Run a receiver that answers whatever it is asked by pieces of bytes, one after another."""
    listener = socket.create_server(("127.0.0.1", 0))

    def talk():
        with suppress(OSError):  # it ends when the listener is closed, or the caller has gone
            while True:
                visitor, _ = listener.accept()
                with visitor:
                    hear_out(visitor)
                    for piece in pieces():
                        visitor.sendall(piece)

    thread = threading.Thread(target=talk, name="raw receiver")
    thread.start()
    receiver = Receiver()
    receiver.url = f"http://127.0.0.1:{listener.getsockname()[1]}/"
    try:
        yield receiver
    finally:
        with suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()
