"""The first seconds of a connection: the TLS handshake, or a word to who does not speak TLS."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import dataclass

from trialog.web.tls.doors import Door

HANDSHAKE_SECONDS = 10.0
"""For the first byte, and again for the handshake; common practice, no source."""

BUFFER = 64 * 1024
_LINGER_SECONDS = 1.0
_MOST_READ = 1024 * 1024


@dataclass(frozen=True)
class Streams:
    """The two directions of a connection."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter


async def greet(door: Door, taken: socket.socket) -> Streams | None:
    """Return the streams of a connection whose handshake is done; None if it spoke no TLS.

    Raises
    ------
    OSError
        If the handshake fails, or takes too long.
    """
    taken.setblocking(False)
    taken.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    if door.context is not None and _is_http(await _first_byte(taken)):
        await _turn_away(taken, door.hint)
        return None
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=BUFFER)
    protocol = asyncio.StreamReaderProtocol(reader)
    transport, _ = await loop.connect_accepted_socket(
        lambda: protocol,
        taken,
        ssl=door.context() if door.context else None,
        ssl_handshake_timeout=HANDSHAKE_SECONDS if door.context else None,
    )
    return Streams(reader, asyncio.StreamWriter(transport, protocol, reader, loop))


async def _first_byte(taken: socket.socket) -> bytes:
    """Return the first byte of a connection, and leave it there to be read."""
    loop = asyncio.get_running_loop()
    arrived = asyncio.Event()
    loop.add_reader(taken, arrived.set)
    try:
        await asyncio.wait_for(arrived.wait(), HANDSHAKE_SECONDS)
    finally:
        loop.remove_reader(taken)
    return taken.recv(1, socket.MSG_PEEK)


def _is_http(first: bytes) -> bool:
    """Tell a method's first letter from a TLS record, which begins with 22."""
    return first.isalpha()


async def _turn_away(taken: socket.socket, hint: bytes) -> None:
    """Answer in plain HTTP, and read on until the other end closes.

    Closing with unread bytes resets the connection, and the browser would not see the answer.
    """
    loop = asyncio.get_running_loop()
    await asyncio.wait_for(loop.sock_sendall(taken, hint), HANDSHAKE_SECONDS)
    taken.shutdown(socket.SHUT_WR)
    read = 0
    try:
        async with asyncio.timeout(_LINGER_SECONDS):
            while read < _MOST_READ and (content := await loop.sock_recv(taken, BUFFER)):
                read += len(content)
    except TimeoutError:
        pass  # it does not close: it has had its answer
