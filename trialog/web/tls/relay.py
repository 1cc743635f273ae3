"""Carry connections from the network to a WSGI server on this computer's loopback.

The WSGI server reads whole requests before a thread works on them, which no slow sender can
hold up, but it speaks no TLS. This does: one event loop in a thread, so that one that is
silent, or shakes hands badly, keeps nobody else waiting.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress

from trialog.web.tls.doors import Caller, Callers, Door
from trialog.web.tls.greeting import Streams, greet

CHUNK = 64 * 1024
CLOSING_SECONDS = 30.0
ENDING_SECONDS = 2.0
"""For what is answered already to flow out when the server ends; common practice, no source."""

_PAUSE_SECONDS = 0.2

_log = logging.getLogger(__name__)


class _Connection:
    """A connection from the network, and when the app last answered on it."""

    def __init__(self, taken: socket.socket, address: str, port: int, moment: float) -> None:
        self.socket = taken
        self.address = address
        self.port = port
        self.answered = moment
        self.joined = False
        self.task: asyncio.Task[None] | None = None


class Relay:
    """Carry what comes in at some doors to one server, in a thread, until `stop`."""

    def __init__(
        self, doors: Sequence[Door], server: tuple[str, int], callers: Callers, *, most: int
    ) -> None:
        self._doors = doors
        self._server = server
        self._callers = callers
        self._most = most
        self._open: set[_Connection] = set()
        self._ending = asyncio.Event()
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)

    def start(self) -> None:
        """Begin to accept connections."""
        self._loop = asyncio.SelectorEventLoop()  # of all loops the one that can peek at a socket
        self._thread.start()

    def stop(self) -> None:
        """Accept nobody any more, let what is answered flow out, and end."""
        self._loop.call_soon_threadsafe(self._ending.set)
        self._thread.join()

    def _run(self) -> None:
        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
            runner.run(self._relay())

    async def _relay(self) -> None:
        for door in self._doors:
            door.listener.setblocking(False)
            self._watch(door)
        await self._ending.wait()
        for door in self._doors:
            self._loop.remove_reader(door.listener)
        # Who has not even shaken hands has nothing under way.
        await _wait_for([one.task for one in self._open if one.joined and one.task])
        rest = [one.task for one in self._open if one.task]
        for task in rest:
            task.cancel()
        await _wait_for(rest)

    def _watch(self, door: Door) -> None:
        if not self._ending.is_set():
            self._loop.add_reader(door.listener, self._accept, door)

    def _accept(self, door: Door) -> None:
        try:
            taken, (address, port, *_) = door.listener.accept()
        except (BlockingIOError, InterruptedError, ConnectionAbortedError):
            return  # it was gone again before it was taken
        except OSError as error:  # such as no file handle left: it passes, the door stays
            _log.warning("a connection could not be accepted: %s", error)
            self._make_room(least=1)
            self._loop.remove_reader(door.listener)
            self._loop.call_later(_PAUSE_SECONDS, self._watch, door)
            return
        self._make_room(least=len(self._open) - self._most + 1)
        connection = _Connection(taken, str(address), int(port), self._loop.time())
        self._open.add(connection)
        connection.task = self._loop.create_task(self._carry(door, connection))
        # Here and not at the end of the task, which may be cancelled before it has begun.
        connection.task.add_done_callback(lambda _task: taken.close())

    def _make_room(self, *, least: int) -> None:
        """Close connections so that others get in: of who holds most, the longest unanswered.

        One that floods the server so takes places from itself alone. The cost accepted: when
        all places are taken, a large upload on bad Wi-Fi may have to begin again.
        """
        for _ in range(min(least, len(self._open))):
            held = Counter(one.address for one in self._open)
            most = max(held.values())
            crowd = [one for one in self._open if held[one.address] == most]
            closed = min(crowd, key=lambda one: one.answered)
            self._open.discard(closed)
            if closed.task:
                closed.task.cancel()

    async def _carry(self, door: Door, connection: _Connection) -> None:
        """Carry one connection from its first byte to its end."""
        client: Streams | None = None
        try:
            client = await greet(door, connection.socket)
            if client is not None:
                await self._join(door, connection, client)
                await _close(client)
        except OSError as error:  # it broke off, or was none of ours: nothing to be done
            _log.debug("a connection from %s ended: %s", connection.address, error)
        finally:
            self._open.discard(connection)
            if client is not None:
                client.abort()

    async def _join(self, door: Door, connection: _Connection, client: Streams) -> None:
        """Carry bytes both ways until one end has closed."""
        reader, writer = await asyncio.open_connection(*self._server, limit=CHUNK)
        server = Streams(reader, writer, writer.transport)
        own_port = int(server.writer.get_extra_info("sockname")[1])
        # Before the first byte, so that no request is ever seen without its caller.
        connection.joined = True
        self._callers[own_port] = Caller(connection.address, connection.port, door)
        ways = {
            asyncio.create_task(_pump(client, server)),
            asyncio.create_task(_pump(server, client, connection)),
        }
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            await asyncio.gather(*ways, return_exceptions=True)
            # The port goes to another connection only after this one has let go of it.
            self._callers.pop(own_port, None)
            server.abort()


async def _wait_for(tasks: Sequence[asyncio.Task[None]]) -> None:
    if tasks:
        await asyncio.wait(tasks, timeout=ENDING_SECONDS)


async def _pump(source: Streams, sink: Streams, answers: _Connection | None = None) -> None:
    loop = asyncio.get_running_loop()
    while content := await source.reader.read(CHUNK):
        sink.writer.write(content)
        if answers is not None:
            answers.answered = loop.time()
        await sink.writer.drain()


async def _close(streams: Streams) -> None:
    """Close once what was written has gone out, or nobody takes it any more."""
    streams.writer.close()
    with suppress(OSError, TimeoutError):
        await asyncio.wait_for(streams.writer.wait_closed(), CLOSING_SECONDS)
