"""Handshakes that are cut off: at whatever moment that is, nothing of them is left."""

from __future__ import annotations

import asyncio
import gc
import socket
import ssl
import threading
from contextlib import suppress

import pytest
from support.https import PATIENCE

from trialog.web.server import listen
from trialog.web.tls.doors import Door
from trialog.web.tls.greeting import greet

TURNS = 25
"""Turns of the event loop, more than a handshake takes."""


class Client:
    """A client whose handshake is carried by hand."""

    def __init__(self, port, context):
        self.plain = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE)
        self.incoming, self.outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
        self.stream = context.wrap_bio(self.incoming, self.outgoing, server_hostname="localhost")

    def step(self):
        """Go on with what has arrived, and send what that asks for; return whether it is done."""
        done = True
        try:
            self.stream.do_handshake()
        except ssl.SSLWantReadError:
            done = False
        self.plain.sendall(self.outgoing.read())
        return done

    async def finish(self):
        """Take the server's part of the handshake, and say the last word."""
        loop, done = asyncio.get_running_loop(), False
        while not done:
            self.plain.setblocking(False)
            self.incoming.write(await loop.sock_recv(self.plain, 65536))
            self.plain.settimeout(PATIENCE)
            done = self.step()


async def cut_off(keeper, turns, *, after_answer):
    """Cancel a handshake some turns after the client's first or last word."""
    with listen("127.0.0.1", 0) as listener:
        door = Door(listener, lambda: keeper.context, b"")
        client = Client(door.port, ssl.create_default_context(cadata=keeper.authority.for_tablets))
        taken, _ = listener.accept()
        with client.plain, taken:
            client.step()
            greeting = asyncio.create_task(greet(door, taken))
            if after_answer:
                await client.finish()
            for _ in range(turns):
                await asyncio.sleep(0)
            greeting.cancel()
            with suppress(asyncio.CancelledError):
                streams = await greeting
                streams.abort()


@pytest.mark.parametrize("after_answer", [False, True])
def test_nothing_is_left_of_a_handshake_that_is_cut_off(keeper, after_answer):
    def run():
        for turns in range(TURNS):
            asyncio.run(cut_off(keeper, turns, after_answer=after_answer))

    # A browser's own loop may be running in this thread.
    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    gc.collect()  # whatever is left behind complains here
