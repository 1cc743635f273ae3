"""300 tablets on one server: ten minutes of taps, then all of them with full queues at once."""

from __future__ import annotations

import asyncio
import math
import random
import time
from dataclasses import dataclass

import psutil
import pytest
from support.killable import KillableServer
from support.plant import differences, drain_all, make_plant, open_shifts
from support.raw_rows import RawTable, newest_rows
from support.wire import Wire

TABLETS, EVERY, QUEUED = 300, 10.0, 200
BAR, GROWTH = 0.5, 1.05
PROCESSES = ("--processes", "2")
RAW_ROWS = 2_000


def percentile(times, share):
    return sorted(times)[math.ceil(share * len(times)) - 1]


def spell(seconds):
    return f"{seconds * 1e3:,.1f} ms"


class Watch:
    """The server's processes: their memory, and the time they took of the processor."""

    def __init__(self, pid):
        self._process = psutil.Process(pid)
        self.memory = []

    def _all(self):
        return [self._process, *self._process.children(recursive=True)]

    def look(self):
        self.memory.append(sum(one.memory_info().rss for one in self._all()))

    def busy(self):
        return sum(sum(one.cpu_times()[:2]) for one in self._all())


async def tap_steadily(tablet, port, until, times, chance):
    """Tap every ten seconds, and send at once; a tap that finds no answer waits for the next."""
    wire = Wire(port)
    await asyncio.sleep(chance.random() * EVERY)
    while time.monotonic() < until:
        begun = time.monotonic()
        tablet.tap_cycle(chance)
        await tablet.drain(wire, times)
        await asyncio.sleep(max(0.0, EVERY - (time.monotonic() - begun)))
    wire.close()


async def steady(plant, port, seconds, watch, seed):
    """Let all tablets tap, and look at the server's memory once a second."""
    until, times = time.monotonic() + seconds, []

    async def look():
        while time.monotonic() < until:
            watch.look()
            await asyncio.sleep(1)

    await asyncio.gather(
        look(),
        *(
            tap_steadily(one, port, until, times, random.Random(f"{seed} {one.name}"))
            for one in plant
        ),
    )
    return times


def flat(memory):
    """Return how much larger memory is in the last third than in the second."""
    third = max(len(memory) // 3, 1)
    second, last = memory[third : 2 * third] or memory, memory[2 * third :] or memory
    return (sum(last) / len(last)) / (sum(second) / len(second))


@dataclass
class Shop:
    """A server on a database of its own, its tablets, and another such database beside it."""

    plant: list
    server: KillableServer
    sessions: object
    url: str
    beside: str


@pytest.fixture
def shop(cells, disk_database, disk_sessions, fresh_disk_databases, tmp_path):
    plant = make_plant(disk_sessions, cells=cells, tablets=TABLETS // cells)
    server = KillableServer(disk_database, tmp_path, *processes(disk_database))
    server.start()
    yield Shop(plant, server, disk_sessions, disk_database, fresh_disk_databases())
    server.stop()


def processes(url):
    """Return the options that let one server use both cores, where the database can."""
    return () if url.startswith("sqlite") else PROCESSES


@pytest.mark.parametrize("cells", [30, 300])
def prove_load(cells, request, table, shop):
    """Nothing is lost or doubled; an answer's time and the server's memory; raw inserts beside."""
    seconds, seed = 60 * request.config.getoption("minutes"), request.config.getoption("seed")
    plant, port = shop.plant, shop.server.port
    open_shifts(plant)
    asyncio.run(drain_all(plant, port))
    watch = Watch(shop.server.pid)
    before, lines = watch.busy(), sum(len(one.made) for one in plant)
    times = asyncio.run(steady(plant, port, seconds, watch, seed))
    busy, tapped = watch.busy() - before, sum(len(one.made) for one in plant) - lines
    raw = RawTable(shop.beside)
    beside = raw.one_by_one(newest_rows(shop.url, RAW_ROWS))
    raw.close()
    steady_memory = list(watch.memory)
    burst_took = burst(plant, port, seed)
    watch.look()
    p99, growth, queued = percentile(times, 0.99), flat(steady_memory), TABLETS * QUEUED
    name = f"{cells} cells"
    table(
        f"{name}: {tapped} taps in {seconds:.0f} s, half answered in", spell(percentile(times, 0.5))
    )
    table(f"{name}: 99 % answered in", spell(p99), bar=spell(BAR), holds=p99 <= BAR)
    table(f"{name}: raw inserts of these rows, 99 % in", spell(percentile(beside, 0.99)))
    table(f"{name}: raw inserts of these rows, half in", spell(percentile(beside, 0.5)))
    table(f"{name}: processor's time of the app for a tap", spell(busy / tapped))
    table(f"{name}: memory at the end", f"{steady_memory[-1] / 2**20:.0f} MB")
    grown = {"bar": f"{GROWTH:.2f}", "holds": growth <= GROWTH}
    table(f"{name}: memory, last third by the one before", f"{growth:.3f}", **grown)
    table(f"{name}: {queued} lines queued up, lines a second", f"{queued / burst_took:,.0f}")
    table(f"{name}: memory after that", f"{watch.memory[-1] / 2**20:.0f} MB")
    assert differences(shop.sessions, plant) == []
    assert all(one.acknowledged.keys() == one.made.keys() for one in plant)


def burst(plant, port, seed):
    """Let every tablet send a full queue at once, as after an outage; return how long it took."""
    chance = random.Random(seed)
    for tablet in plant:
        for _ in range(QUEUED):
            tablet.tap_cycle(chance)
        for line in tablet.waiting:
            line["waited"] = True
    begun = time.monotonic()
    asyncio.run(drain_all(plant, port))
    return time.monotonic() - begun
