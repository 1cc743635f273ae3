"""A connection that is kept open, as thin as can be: hundreds of them must cost next to nothing."""

from __future__ import annotations

import asyncio
import json

PATIENCE = 60


class Wire:
    """Posts JSON to a server on the loopback, over one connection, opened when it is needed."""

    def __init__(self, port):
        self.port = port
        self._reader = self._writer = None

    async def post(self, path, key, body):
        """Return the status and the JSON of the answer.

        Raises
        ------
        OSError
            If the connection ended or could not be opened; whether it arrived nobody knows then.
        """
        try:
            async with asyncio.timeout(PATIENCE):
                return await self._exchange(path, key, json.dumps(body).encode())
        except (OSError, EOFError, asyncio.LimitOverrunError, ValueError) as error:
            self.close()
            raise ConnectionError(str(error)) from error

    async def _exchange(self, path, key, content):
        if self._writer is None:
            self._reader, self._writer = await asyncio.open_connection("127.0.0.1", self.port)
        head = (
            f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {key}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(content)}\r\n\r\n"
        )
        self._writer.write(head.encode() + content)
        answer = (await self._reader.readuntil(b"\r\n\r\n")).decode("latin-1").split("\r\n")
        headers = dict(line.lower().split(": ", 1) for line in answer[1:] if line)
        body = await self._reader.readexactly(int(headers["content-length"]))
        if headers.get("connection") == "close":
            self.close()
        return int(answer[0].split()[1]), json.loads(body)

    def close(self):
        if self._writer is not None:
            self._writer.close()
        self._reader = self._writer = None
