"""Tablets that go on logging while something breaks; in the end every line has to be there once."""

from __future__ import annotations

import asyncio
import random
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import psutil
from support.plant import PAUSE, drain_all, open_shifts
from support.wire import Wire

LONGEST = 600
"""Seconds that all may take, so that a line that never arrives is a failure and no hanging."""


def log_through(plant, port, trouble, *, seed):
    """Let a plant log while `trouble` runs in a thread, and then until nothing waits any more."""
    open_shifts(plant)
    # In a thread of its own: the browser of other tests keeps a loop in this one.
    with ThreadPoolExecutor(1) as beside:
        beside.submit(asyncio.run, _log_through(plant, port, trouble, seed)).result()


async def _log_through(plant, port, trouble, seed):
    over = asyncio.Event()
    async with asyncio.timeout(LONGEST):
        await drain_all(plant, port)
        tapping = [asyncio.create_task(_tap(tablet, port, over, seed)) for tablet in plant]
        try:
            await asyncio.to_thread(trouble)
        finally:
            over.set()
        await asyncio.gather(*tapping)


async def _tap(tablet, port, over, seed):
    """Tap, and now and then take the last line back; send at once what there is."""
    chance, wire = random.Random(f"{seed} {tablet.name}"), Wire(port)
    while not over.is_set():
        before = list(tablet.made)
        for _ in range(chance.randint(1, 4)):
            tablet.tap_cycle(chance)
        if chance.random() < 0.2:
            tablet.tap("undo", target=chance.choice(list(tablet.made)[len(before) :]))
        await tablet.drain(wire)
        await asyncio.sleep(chance.random() * PAUSE)
    await tablet.drain(wire)
    wire.close()


class Blows:
    """What was under way in a plant each time that something was killed."""

    def __init__(self, plant):
        self._plant, self._under_way = plant, []

    def note(self):
        """Note which requests are under way: something is killed next."""
        self._under_way.append({(one.name, one.asked) for one in self._plant if one.asking})

    @property
    def number(self):
        return len(self._under_way)

    @property
    def hits(self):
        """How many blows fell on a request that then came to nothing."""
        lost = {(one.name, number) for one in self._plant for number in one.unanswered}
        return sum(not lost.isdisjoint(under_way) for under_way in self._under_way)

    @property
    def untold(self):
        """How many lines had been written when their tablet was told nothing."""
        return sum(len(one.untold) for one in self._plant)


def unnoted():
    """Note nothing."""


def kill_again_and_again(server, kills, *, seed, note=unnoted):
    """Return what kills a server at random moments, as often as is asked, and starts it again.

    `note` is called each time, just before.
    """
    chance = random.Random(seed)

    def trouble():
        for _ in range(kills):
            time.sleep(chance.random())
            note()
            server.kill()
            server.start()
        time.sleep(PAUSE)

    return trouble


def kill_database(node, kills, *, seed, note=unnoted):
    """Return what kills a database server at random moments and starts it again."""
    chance = random.Random(seed)

    def trouble():
        for _ in range(kills):
            time.sleep(chance.random())
            note()
            sigkill(node)
            node.start()
        time.sleep(PAUSE)

    return trouble


def sigkill(node):
    """End all processes of a database server with SIGKILL; none gets to tidy up."""
    mark = node.data / "postmaster.pid"
    parent = psutil.Process(int(mark.read_text().split()[0]))
    family = [parent, *parent.children(recursive=True)]
    for one in family:
        with suppress(psutil.NoSuchProcess):
            one.kill()
    _, alive = psutil.wait_procs(family, timeout=30)
    assert not alive
    mark.unlink()  # as `Node.running` asks for it


def fail_over(cluster, *, note=unnoted):
    """Return what kills the primary under load and makes its replica the new one."""

    def trouble():
        time.sleep(1)
        note()
        sigkill(cluster.primary)
        cluster.replica.promote()
        cluster.replica.ask("ALTER SYSTEM SET synchronous_standby_names = ''")
        cluster.replica.ask("SELECT pg_reload_conf()")
        time.sleep(1)

    return trouble


def jump(file, jumps, *, seed):
    """Return what sets a clock back and forth, by up to two days, as often as is asked."""
    chance = random.Random(seed)

    def trouble():
        for _ in range(jumps):
            time.sleep(chance.random())
            file.write_text(str(chance.choice((-1, 1)) * chance.randint(1, 2 * 24 * 3600)))
        time.sleep(PAUSE)

    return trouble
