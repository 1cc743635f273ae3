"""A network that cuts connections: a TCP proxy that ends each after a random number of bytes."""

from __future__ import annotations

import asyncio
import random
import socket
import struct
import threading
from contextlib import suppress

RESET = struct.pack("ii", 1, 0)  # linger for no time: the other side sees a reset
CHUNK = 64 * 1024


class CuttingProxy:
    """Stands at `port` before a server; a connection lives for up to `longest` bytes either way."""

    def __init__(self, target, *, longest, seed):
        self.target, self.longest = target, longest
        self.cuts = 0
        self._chance = random.Random(seed)
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)

    def __enter__(self):
        self._thread.start()
        self._server = self._run(asyncio.start_server(self._carry, "127.0.0.1", 0))
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    def __exit__(self, *_):
        self._run(self._end())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def _run(self, coroutine):
        return asyncio.run_coroutine_threadsafe(coroutine, self._loop).result(30)

    async def _end(self):
        self._server.close()
        tasks = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await asyncio.sleep(0)  # in which what they reset is closed

    async def _carry(self, reader, writer):
        """Carry one connection until its bytes are used up, somewhere in a request or an answer."""
        budget = [self._chance.randint(1, self.longest)]
        ends = [writer]
        try:
            there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self.target)
            ends.append(there_writer)
            ways = [
                asyncio.create_task(self._copy(reader, there_writer, budget)),
                asyncio.create_task(self._copy(there_reader, writer, budget)),
            ]
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
            for way in ways:
                way.cancel()
        except OSError:
            return  # whoever it was for is not there
        finally:
            for end in ends:
                self._reset(end)

    async def _copy(self, reader, writer, budget):
        with suppress(OSError):
            while content := await reader.read(CHUNK):
                left = budget[0]
                budget[0] -= len(content)
                writer.write(content[: max(left, 0)])
                await writer.drain()
                if budget[0] <= 0:
                    self.cuts += 1
                    return

    @staticmethod
    def _reset(writer):
        with suppress(OSError):
            writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
        writer.transport.abort()
