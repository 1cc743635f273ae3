"""`serve` as a process: it stops in order, and outlives a disk that takes no more.

What was acknowledged is in the records in any case.
"""

from __future__ import annotations

import http.client
import json
import re
import resource
import signal
import threading
from contextlib import closing, suppress
from datetime import UTC, datetime
from urllib.parse import urlsplit

import pytest
from sqlalchemy import select
from support.cells import log_shift, new_id

from trialog.records.database import WRITE, make_engine, unit_of_work
from trialog.records.models import Cell, Entry
from trialog.records.tablets import enrol, make_code

PATIENCE = 60


class Server:
    """A server as a process of its own, and a tablet that is enrolled at it."""

    def __init__(self, process, cell, person, key):
        self.process, self.cell, self._person, self._key = process, cell, person, key
        self._number = 0
        self.address = next(
            urlsplit(found[0]).netloc
            for line in process.stdout
            if (found := re.search(r"http://\S+", line))
        )

    def begin(self, method, path, body=None):
        """Send a request over a connection of its own; return that."""
        connection = http.client.HTTPConnection(self.address, timeout=PATIENCE)
        headers = {"Authorization": f"Bearer {self._key}", "Content-Type": "application/json"}
        try:
            connection.request(method, path, body and json.dumps(body), headers)
        except OSError:
            connection.close()  # the server has ended meanwhile
            raise
        return connection

    @staticmethod
    def answer(connection):
        """Return status and JSON of what a connection answers."""
        with closing(connection):
            answer = connection.getresponse()
            return answer.status, json.loads(answer.read())

    def ask(self, path):
        return self.answer(self.begin("GET", path))

    def begin_to_send(self, *client_ids):
        """Send good cycles in one batch, without waiting for an answer."""
        moment, entries = datetime.now(UTC).isoformat(), []
        for client_id in client_ids:
            self._number += 1
            entries.append({
                "client_id": client_id, "kind": "good", "shift": "early", "cycles": 1,
                "number": self._number, "tablet_time": moment, "time": moment,
                "person": self._person,
            })  # fmt: skip
        batch = {"cell": self.cell, "clock": moment, "page": None, "entries": entries}
        return self.begin("POST", "/api/tablet/entries", batch)

    def hold_up(self, client_id):
        """Send a line that must wait for a lock; what was sent after it was answered meanwhile."""
        connection = self.begin_to_send(client_id)
        for _ in range(20):
            assert self.ask("/health/live")[0] == 200
        return connection

    def stop(self):
        self.process.send_signal(signal.SIGTERM)

    def wait(self):
        out, err = self.process.communicate(timeout=PATIENCE)
        return self.process.returncode, out, err


@pytest.fixture
def tablet(session, people, cell):
    """Return a cell with an open shift, who is at it, and the key of a tablet there."""
    by = {"now": datetime.now(UTC)}
    log_shift(session, cell, "early", good=1, closed=False, **by)
    with unit_of_work(session):
        code = make_code(session, name="blue", cell=cell.cell, actor=people.engineer, **by)
        return cell.id, people.operator.id, enrol(session, code, **by)[1]


@pytest.fixture
def serve(start, database, tablet, tmp_path):
    """Return the function that starts a server."""

    def begin(**variables):
        folder = {"TRIALOG_DATA_FOLDER": str(tmp_path / "data")}
        words = ("serve", "--port", "0", "--database", database)
        return Server(start(*words, **folder, **variables), *tablet)

    return begin


@pytest.fixture
def lock(database, tablet):
    """Return a connection that keeps every other one from writing, until it is rolled back."""
    engine = make_engine(database)
    with engine.connect().execution_options(**{WRITE: True}) as connection:
        connection.execute(select(Cell.id).with_for_update())
        yield connection
    engine.dispose()


def stored(session):
    session.rollback()
    return set(session.scalars(select(Entry.client_id)))


def test_a_request_under_way_is_answered_and_new_ones_are_refused(serve, session, lock):
    server, slow, late = serve(), new_id("slow"), new_id("late")
    under_way = server.hold_up(slow)
    server.stop()
    while (ready := server.ask("/health/ready"))[0] == 200:
        pass  # the signal is still on its way
    assert ready[1]["status"] == "stopping"
    status, problem = server.answer(server.begin_to_send(late))
    assert status == 503
    assert "nothing of this was taken" in problem["error"]["message"]
    lock.rollback()
    status, answer = server.answer(under_way)
    assert (status, answer["entries"][0]["status"]) == (200, "added")
    code, out, err = server.wait()
    assert (code, out.splitlines()[-1]) == (0, "Stopped.")
    assert "Traceback" not in err
    assert {slow, late} & stored(session) == {slow}


def test_nothing_that_was_acknowledged_is_lost_by_a_stop(serve, session):
    server, acknowledged, heard = serve(), [], threading.Semaphore(0)

    def keep_sending():
        with suppress(OSError, http.client.HTTPException):
            while True:
                batch = [new_id("tap") for _ in range(20)]
                if server.answer(server.begin_to_send(*batch))[0] != 200:
                    return
                acknowledged.extend(batch)
                heard.release()

    sender = threading.Thread(target=keep_sending)
    sender.start()
    for _ in range(5):
        assert heard.acquire(timeout=PATIENCE)
    server.stop()
    sender.join(PATIENCE)
    assert server.wait()[0] == 0
    assert len(acknowledged) >= 100
    assert set(acknowledged) <= stored(session)


def test_the_end_is_not_put_off_for_ever(serve, session, lock):
    server, stuck = serve(TRIALOG_STOP_SECONDS="1"), new_id("stuck")
    under_way = server.hold_up(stuck)
    server.stop()
    code, _, err = server.wait()
    assert code == 0
    assert "stopped with requests unanswered requests=1" in err
    with pytest.raises((OSError, http.client.HTTPException)):
        server.answer(under_way)
    lock.rollback()
    assert stuck not in stored(session)


@pytest.mark.database("sqlite")  # a database server's files are not this process's
def test_a_disk_that_takes_no_more_is_outlived(serve, session, trialog):
    server = serve()
    first, second = ([new_id("tap") for _ in range(50)] for _ in range(2))
    pid, before = server.process.pid, stored(session)
    _, most = resource.prlimit(pid, resource.RLIMIT_FSIZE)
    # From here on the system refuses to let any file of the server's grow, as a full disk does.
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (1, most))
    for _ in range(2):
        assert server.answer(server.begin_to_send(*first))[0] == 503
    assert server.ask("/health/live")[0] == 200
    assert stored(session) == before
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (most, most))
    for batch in (first, second):
        status, answer = server.answer(server.begin_to_send(*batch))
        assert (status, {one["status"] for one in answer["entries"]}) == (200, {"added"})
    server.stop()
    assert server.wait()[0] == 0
    assert stored(session) == before | {*first, *second}
    assert trialog("verify").exit_code == 0
