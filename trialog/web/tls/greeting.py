"""The first seconds of a connection: the TLS handshake, or a word to who does not speak TLS."""

from __future__ import annotations

import asyncio
import socket
import ssl
from dataclasses import dataclass
from typing import cast

from trialog.web.tls.doors import Door

HANDSHAKE_SECONDS = 10.0
"""For the first byte, and again for the handshake; common practice, no source."""

BUFFER = 64 * 1024
_LINGER_SECONDS = 1.0
_MOST_READ = 1024 * 1024


@dataclass(frozen=True)
class Streams:
    """The two directions of a connection, and `plain`, what carries them below any TLS."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter
    plain: asyncio.WriteTransport

    def abort(self) -> None:
        """End the connection at once.

        Below TLS too: one that is saying goodbye already heeds no call to end from above.
        """
        self.writer.transport.abort()
        self.plain.abort()


class _Held(asyncio.Protocol):
    """Leaves what arrives unread, for TLS to take from the first byte on."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Stop reading before it begins."""
        cast(asyncio.ReadTransport, transport).pause_reading()


class _OverTls(asyncio.StreamReaderProtocol):
    """Streams over TLS, where an end that has closed has closed both ways."""

    def eof_received(self) -> bool:
        """Let the other way be closed too."""
        super().eof_received()
        return False


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
    if door.context is None:
        return await _plain_streams(taken)
    return await _secure_streams(taken, door.context())


async def _plain_streams(taken: socket.socket) -> Streams:
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=BUFFER)
    protocol = asyncio.StreamReaderProtocol(reader)
    plain, _ = await loop.connect_accepted_socket(lambda: protocol, taken)
    return Streams(reader, asyncio.StreamWriter(plain, protocol, reader, loop), plain)


async def _secure_streams(taken: socket.socket, context: ssl.SSLContext) -> Streams:
    """Shake hands; whatever cuts that off, the connection below ends with it."""
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=BUFFER)
    protocol = _OverTls(reader)
    plain, _ = await loop.connect_accepted_socket(_Held, taken)
    try:
        secure = await loop.start_tls(
            plain, protocol, context, server_side=True, ssl_handshake_timeout=HANDSHAKE_SECONDS
        )
    except BaseException:
        plain.abort()
        raise
    if secure is None:
        raise ConnectionAbortedError("the other end was gone before the handshake was done")
    protocol.connection_made(secure)
    return Streams(reader, asyncio.StreamWriter(secure, protocol, reader, loop), plain)


async def _first_byte(taken: socket.socket) -> bytes:
    """Return the first byte of a connection, and leave it there to be read."""
    loop = asyncio.get_running_loop()
    arrived = asyncio.Event()
    loop.add_reader(taken, arrived.set)
    try:
        async with asyncio.timeout(HANDSHAKE_SECONDS):
            await arrived.wait()
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
    async with asyncio.timeout(HANDSHAKE_SECONDS):
        await loop.sock_sendall(taken, hint)
    taken.shutdown(socket.SHUT_WR)
    read = 0
    try:
        async with asyncio.timeout(_LINGER_SECONDS):
            while read < _MOST_READ and (content := await loop.sock_recv(taken, BUFFER)):
                read += len(content)
    except TimeoutError:
        pass  # it does not close: it has had its answer
