"""Something is killed hundreds of times while tablets log: nothing acknowledged is lost.

`--kills` is how often the app and the database are killed, all told: of a hundred the app is killed
35 times on each kind of database, and PostgreSQL itself 30 times. Besides a replica takes over
once for each `EACH` of them.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import pytest
from support.cluster import make_cluster
from support.killable import KillableServer
from support.plant import differences, make_plant
from support.trouble import Blows, fail_over, kill_again_and_again, kill_database, log_through

from trialog.records.database import make_engine, make_sessions
from trialog.records.schema import upgrade

EACH = 20
"""Kills in one life of a database; then the next, fresh one."""


@dataclass
class Total:
    """What came of all rounds."""

    kills: int = 0
    hits: int = 0
    untold: int = 0
    acknowledged: int = 0


@pytest.fixture
def server_on(forks, tmp_path):
    """Return a function that makes an app on a database; it is not started yet."""
    return lambda url: KillableServer(url, tmp_path, forks=forks)


@pytest.fixture
def total(table, request):
    """Return what the rounds add up to; in the end it goes into the table."""
    summed, begun = Total(), time.monotonic()
    yield summed
    what = request.function.__doc__.strip().rstrip(".")
    took = time.monotonic() - begun
    table(f"{what}: times, in {took:.0f} s", f"{summed.kills:,}")
    table(f"{what}: of these amid a request, never answered", f"{summed.hits:,}")
    table(f"{what}: lines written there, and nobody told", f"{summed.untold:,}")
    table(f"{what}: lines acknowledged, all there once", f"{summed.acknowledged:,}")


@pytest.fixture
def kills(request):
    """Return how often app and database are killed, all told."""
    return request.config.getoption("kills")


@pytest.fixture
def seed(request):
    """Return the seed of all that is random."""
    return request.config.getoption("seed")


def of_the_app(kills):
    """Return the share of the kills that the app gets on each kind of database."""
    return kills * 35 // 100


def rounds(kills):
    """Part kills into rounds, each with its number."""
    return enumerate(min(EACH, kills - done) for done in range(0, kills, EACH))


def log_and_compare(sessions, server, trouble, seed, total):
    """Let a plant log through trouble, hold the logbook to it, and add up what came of it.

    `trouble` makes the trouble, from what notes each blow.
    """
    plant = make_plant(sessions, cells=3, tablets=3)
    blows = Blows(plant)
    server.start()
    try:
        log_through(plant, server.port, trouble(blows.note), seed=seed)
    finally:
        server.kill()
    assert differences(sessions, plant) == []
    total.kills += blows.number
    total.hits += blows.hits
    total.untold += blows.untold
    total.acknowledged += sum(len(tablet.acknowledged) for tablet in plant)


def prove_fault_of_the_app(kills, seed, total, server_on, fresh_disk_databases):
    """App killed."""
    for number, some in rounds(of_the_app(kills)):
        engine = make_engine(url := fresh_disk_databases())
        server = server_on(url)

        def trouble(note, server=server, some=some, own=seed + number):
            return kill_again_and_again(server, some, seed=own, note=note)

        log_and_compare(make_sessions(engine), server, trouble, seed + number, total)
        engine.dispose()


@pytest.fixture
def mortal(server_on):
    """Return a function that makes a cluster, with sessions and an app on it; all end with it."""
    made = []

    def make():
        cluster = make_cluster(synchronous=True)
        engine = make_engine(cluster.url())
        made.append((cluster, engine))
        upgrade(engine)
        return cluster, make_sessions(engine), server_on(cluster.url())

    yield make
    for cluster, engine in made:
        engine.dispose()
        cluster.remove()


@pytest.mark.database("postgresql")
def prove_fault_of_the_database(kills, seed, total, mortal):
    """Database killed."""
    for number, some in rounds(kills - 2 * of_the_app(kills)):
        cluster, sessions, server = mortal()

        def trouble(note, node=cluster.primary, some=some, own=seed + number):
            return kill_database(node, some, seed=own, note=note)

        log_and_compare(sessions, server, trouble, seed + number, total)


@pytest.mark.database("postgresql")
def prove_fault_of_the_primary(kills, seed, total, mortal):
    """Replica took over."""
    for number in range(max(kills // EACH, 1)):
        cluster, sessions, server = mortal()

        def trouble(note, cluster=cluster):
            return fail_over(cluster, note=note)

        log_and_compare(sessions, server, trouble, seed + number, total)
