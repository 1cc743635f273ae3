"""Something is killed hundreds of times while tablets log: nothing acknowledged is lost."""

from __future__ import annotations

import pytest
from support.cluster import make_cluster
from support.killable import KillableServer
from support.plant import differences, make_plant
from support.trouble import fail_over, kill_again_and_again, kill_database, log_through

from trialog.records.database import make_engine, make_sessions
from trialog.records.schema import upgrade

EACH = 20
"""Kills in one life of a database; then the next, fresh one."""


def rounds(kills):
    """Part kills into rounds, each with its number."""
    return enumerate(min(EACH, kills - done) for done in range(0, kills, EACH))


def log_and_compare(sessions, server, trouble, seed):
    """Let a plant log through trouble; return how many lines were acknowledged."""
    plant = make_plant(sessions, cells=3, tablets=3)
    server.start()
    try:
        log_through(plant, server.port, trouble(server), seed=seed)
    finally:
        server.kill()
    assert differences(sessions, plant) == []
    return sum(len(tablet.acknowledged) for tablet in plant)


def prove_fault_of_the_app(request, table, fresh_disk_databases, tmp_path):
    """The app is killed at random moments."""
    kills, seed = request.config.getoption("kills"), request.config.getoption("seed")
    acknowledged = 0
    for number, some in rounds(kills):
        engine = make_engine(url := fresh_disk_databases())
        trouble = lambda server, n=number, k=some: kill_again_and_again(server, k, seed=seed + n)  # noqa: E731
        server = KillableServer(url, tmp_path)
        acknowledged += log_and_compare(make_sessions(engine), server, trouble, seed + number)
        engine.dispose()
    table(f"app killed {kills} times: lines acknowledged, all there once", f"{acknowledged:,}")


@pytest.fixture
def mortal(tmp_path):
    """Return a function that makes a cluster, with sessions and an app on it; all end with it."""
    made = []

    def make():
        cluster = make_cluster(synchronous=True)
        engine = make_engine(cluster.url())
        made.append((cluster, engine))
        upgrade(engine)
        return cluster, make_sessions(engine), KillableServer(cluster.url(), tmp_path)

    yield make
    for cluster, engine in made:
        engine.dispose()
        cluster.remove()


@pytest.mark.database("postgresql")
def prove_fault_of_the_database(request, table, mortal):
    """The database is killed at random moments."""
    kills, seed = request.config.getoption("kills"), request.config.getoption("seed")
    cluster, sessions, server = mortal()
    acknowledged = log_and_compare(
        sessions, server, lambda _: kill_database(cluster.primary, kills, seed=seed), seed
    )
    table(f"database killed {kills} times: acknowledged, all there once", f"{acknowledged:,}")


@pytest.mark.database("postgresql")
def prove_fault_of_the_primary(request, table, mortal):
    """The primary dies under load and its replica takes over, one cluster after the other."""
    times, seed = (
        max(request.config.getoption("kills") // EACH, 1),
        request.config.getoption("seed"),
    )
    acknowledged = 0
    for number in range(times):
        cluster, sessions, server = mortal()
        acknowledged += log_and_compare(
            sessions, server, lambda _, one=cluster: fail_over(one), seed + number
        )
    table(f"replica took over {times} times: acknowledged, all there once", f"{acknowledged:,}")
