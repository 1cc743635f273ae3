"""Whatever breaks while tablets log: each acknowledged line is there once, and all adds up.

The real server is a process of its own here; `.ci/prove -k fault` does the same hundreds of times.
"""

from __future__ import annotations

import pytest
from support.cutting import CuttingProxy
from support.killable import KillableServer
from support.plant import differences, make_plant
from support.trouble import (
    fail_over,
    jump,
    kill_again_and_again,
    kill_database,
    log_through,
)
from support.waiting import until

from trialog.records.database import make_engine, make_sessions
from trialog.records.schema import upgrade

SEED = 20_260_302


@pytest.fixture
def serve(tmp_path, forks):
    """Return a function that starts a server on a database; it is killed in the end.

    With a `clock` of its own it is a process from the beginning.
    """
    started = []

    def start(url, clock=None):
        server = KillableServer(url, tmp_path, clock=clock, forks=None if clock else forks)
        started.append(server)
        server.start()
        return server

    yield start
    for server in started:
        server.kill()


@pytest.fixture
def mortal_sessions(mortal_cluster):
    """Return sessions on whichever server of a cluster takes writes."""
    engine = make_engine(mortal_cluster.url())
    upgrade(engine)
    yield make_sessions(engine)
    engine.dispose()


def test_an_app_that_is_killed_again_and_again(serve, database, sessions):
    plant = make_plant(sessions, cells=2, tablets=3)
    server = serve(database)
    log_through(plant, server.port, kill_again_and_again(server, 3, seed=SEED), seed=SEED)
    assert differences(sessions, plant) == []


@pytest.mark.database("postgresql")  # the embedded one dies with the app
def test_a_database_that_is_killed_again_and_again(serve, mortal_cluster, mortal_sessions):
    plant = make_plant(mortal_sessions, cells=2, tablets=3)
    server = serve(mortal_cluster.url())
    trouble = kill_database(mortal_cluster.primary, 3, seed=SEED)
    log_through(plant, server.port, trouble, seed=SEED)
    assert differences(mortal_sessions, plant) == []


@pytest.mark.database("postgresql")  # the embedded one has no replica
def test_a_primary_that_dies_and_a_replica_that_takes_over(serve, mortal_cluster, mortal_sessions):
    plant = make_plant(mortal_sessions, cells=2, tablets=3)
    server = serve(mortal_cluster.url())
    log_through(plant, server.port, fail_over(mortal_cluster), seed=SEED)
    assert differences(mortal_sessions, plant) == []


def test_a_network_that_cuts_every_connection(serve, database, sessions):
    plant = make_plant(sessions, cells=2, tablets=3)
    server = serve(database)
    with CuttingProxy(server.port, longest=4_000, seed=SEED) as proxy:
        log_through(plant, proxy.port, lambda: until(lambda: proxy.cuts > 20), seed=SEED)
    assert differences(sessions, plant) == []


def test_a_server_whose_clock_jumps_back_and_forth(serve, database, sessions, tmp_path):
    clock = tmp_path / "ahead"
    clock.write_text("0")
    plant = make_plant(sessions, cells=2, tablets=3)
    server = serve(database, clock=clock)
    log_through(plant, server.port, jump(clock, 6, seed=SEED), seed=SEED)
    assert differences(sessions, plant) == []
