"""Several processes serve together: on one port, none of them for ever, all of them ended."""

from __future__ import annotations

import re
import signal
import socket
import ssl
from contextlib import suppress
from urllib.request import urlopen

import psutil
import pytest
from support.killable import KillableServer
from support.waiting import until

PATIENCE = 60

on_postgresql = pytest.mark.database("postgresql")


@pytest.fixture
def crew(database, tmp_path):
    """Two processes that serve an empty database."""
    server = KillableServer(database, tmp_path, "--processes", "2")
    server.start()
    yield server
    server.stop()


def workers(server):
    """Return the processes that serve; beside them runs one that tracks what they share."""
    found = []
    for one in psutil.Process(server.pid).children():
        with suppress(psutil.NoSuchProcess):  # it may end, or be a zombie, between two looks
            if "spawn_main" in " ".join(one.cmdline()):
                found.append(one)
    return found


def answers(server):
    """Ask as a new visitor, and return the status of the answer."""
    with urlopen(f"http://127.0.0.1:{server.port}/health/ready", timeout=PATIENCE) as answer:
        return answer.status


def listening(pid):
    """Return whether a process serves: it has come as far as its own waiting loop."""
    with suppress(psutil.NoSuchProcess):
        its = psutil.Process(pid).net_connections()
        return any(one.status == psutil.CONN_LISTEN for one in its)
    return False


@on_postgresql
def test_one_that_is_killed_is_replaced_and_all_end_with_who_looks_after_them(crew):
    until(lambda: len(workers(crew)) == 2)
    first, second = sorted(one.pid for one in workers(crew))
    until(lambda: listening(second))
    psutil.Process(first).kill()
    until(lambda: first not in {one.pid for one in workers(crew)})
    assert answers(crew) == 200
    until(lambda: len(workers(crew)) == 2)
    assert second in {one.pid for one in workers(crew)}
    assert answers(crew) == 200
    theirs = workers(crew)
    psutil.Process(crew.pid).send_signal(signal.SIGTERM)
    _, left = psutil.wait_procs([*theirs, psutil.Process(crew.pid)], timeout=PATIENCE)
    assert left == []
    assert "Stopped." in crew.said()


@on_postgresql
def test_they_end_when_nobody_looks_after_them_any_more(crew):
    until(lambda: len(workers(crew)) == 2)
    theirs = workers(crew)
    crew.kill()
    _, left = psutil.wait_procs(theirs, timeout=PATIENCE)
    assert left == []


@on_postgresql
def test_over_https_they_have_one_authority(database, tmp_path):
    server = KillableServer(database, tmp_path, "--processes", "2", "--tls", "--host", "127.0.0.1")
    server.begin()
    try:
        until(lambda: re.search(r"https://127\.0\.0\.1:(\d+)/", server.said()))
        port = int(re.search(r"https://127\.0\.0\.1:(\d+)/", server.said())[1])
        until(lambda: len(workers(server)) == 2)
        until(lambda: all(listening(one.pid) for one in workers(server)))
        seen = {certificate_at(port) for _ in range(20)}
    finally:
        server.stop()
    assert len(seen) == 1


def certificate_at(port):
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    with (
        socket.create_connection(("127.0.0.1", port), timeout=PATIENCE) as plain,
        context.wrap_socket(plain) as spoken,
    ):
        return spoken.getpeercert(binary_form=True)


def test_the_embedded_database_has_one_process(run, tmp_path):
    run("database", "upgrade", "--data-folder", tmp_path)
    result = run("serve", "--processes", "2", "--data-folder", tmp_path)
    assert result.exit_code == 2
    assert "TRIALOG_PROCESSES must be 1 on the embedded database, got 2" in result.output
