"""Whether the server lives and can take entries: by name, in bounded time, without secrets."""

from __future__ import annotations

import threading

import pytest
from sqlalchemy import text

from trialog.records import disk
from trialog.web.database import state
from trialog.web.ending import ending_of
from trialog.web.health import checks
from trialog.web.health.checks import Health, health_of

NAMES = {"sqlite": {"database", "schema", "disk"}, "postgresql": {"database", "schema"}}


def fresh(app, **options):
    """Give an app checks that know nothing yet."""
    app.extensions[checks._NAME] = Health(state(app), **options)
    return health_of(app)


def not_ready(visitor, name, says):
    """Hold the server to be not ready, for one reason only."""
    answer = visitor.get("/health/ready")
    assert answer.status_code == 503
    assert answer.json["status"] == "not ready"
    failed = {one: found["says"] for one, found in answer.json["checks"].items() if not found["ok"]}
    assert failed == {name: says}


def test_a_server_that_can_take_entries_says_so(stranger, database_kind):
    answer = stranger.get("/health/ready")
    assert answer.status_code == 200
    assert answer.json["status"] == "ready"
    assert set(answer.json["checks"]) == NAMES[database_kind]
    assert all(check["ok"] for check in answer.json["checks"].values())


@pytest.mark.parametrize("path", ["/health", "/health/live", "/health/ready"])
def test_it_is_open_to_all_kept_by_nobody_and_tells_no_secret(app, stranger, path):
    answer = stranger.get(path)
    assert answer.status_code == 200
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.mimetype == "application/json"
    here = state(app)
    for word in (here.engine.url.database, str(here.settings.data_folder), "Set-Cookie"):
        assert word not in answer.text + str(answer.headers)


def test_a_schema_of_another_version_is_named(app, stranger, session):
    session.execute(text("UPDATE alembic_version SET version_num = '0001'"))
    session.commit()
    not_ready(stranger, "schema", "is another version's")


@pytest.mark.database("sqlite")
def test_a_database_that_is_gone_is_named_and_the_process_lives(app, stranger, tmp_path):
    state(app).engine.dispose()
    (tmp_path / "trialog.db").write_bytes(b"no database at all" * 500)
    not_ready(stranger, "database", "does not answer")
    assert stranger.get("/health/live").status_code == 200


@pytest.mark.database("sqlite")
def test_a_database_that_hangs_is_not_waited_for(app, stranger, monkeypatch):
    released, asked = threading.Event(), []

    def hang(_engine):
        asked.append(1)
        released.wait()

    monkeypatch.setattr(checks.schema, "current_version", hang)
    fresh(app, patience=0.01)
    for _ in range(3):
        not_ready(stranger, "database", "does not answer in time")
    assert asked == [1], "it is asked anew only when it has answered"
    released.set()


@pytest.mark.database("sqlite")
def test_however_often_it_is_asked_the_database_is_not(app, stranger, monkeypatch):
    asked, ask = [], checks.schema.current_version
    monkeypatch.setattr(
        checks.schema, "current_version", lambda engine: asked.append(1) or ask(engine)
    )
    fresh(app, kept=3600)
    for _ in range(5):
        assert stranger.get("/health/ready").status_code == 200
    assert asked == [1]
    fresh(app, kept=-1)
    for _ in range(2):
        assert stranger.get("/health/ready").status_code == 200
    assert asked == [1, 1, 1]


@pytest.mark.database("sqlite")
def test_a_disk_that_is_nearly_full_is_named(stranger, monkeypatch):
    monkeypatch.setattr(disk, "NEARLY_FULL", 2**63)
    not_ready(stranger, "disk", "is nearly full")


@pytest.mark.database("sqlite")
def test_a_disk_that_cannot_be_written_is_named(stranger, monkeypatch):
    monkeypatch.setattr(disk.os, "access", lambda _place, _mode: False)
    not_ready(stranger, "disk", "cannot be written")


@pytest.mark.database("sqlite")
def test_a_disk_that_cannot_be_looked_at_is_named(stranger, monkeypatch):
    def lost(_place):
        raise OSError("no such device")

    monkeypatch.setattr(disk.os, "statvfs", lost)
    not_ready(stranger, "disk", "cannot be looked at")


@pytest.mark.database("sqlite")
def test_the_worker_is_watched_where_this_process_has_it(app, stranger):
    released = threading.Event()
    worker = threading.Thread(target=released.wait)
    worker.start()
    health_of(app).watch_worker(worker)
    assert stranger.get("/health/ready").json["checks"]["worker"] == {"ok": True, "says": "runs"}
    released.set()
    worker.join()
    not_ready(stranger, "worker", "has ended")


@pytest.mark.database("sqlite")
def test_while_the_server_ends_it_says_so_and_takes_nothing_new(app, operator):
    ending_of(app).asked = True
    ready = operator.get("/health/ready")
    assert (ready.status_code, ready.json["status"]) == (503, "stopping")
    assert operator.get("/health/live").status_code == 200
    page = operator.get("/")
    assert page.status_code == 503
    assert "Back in a moment" in page.text
    assert int(page.headers["Retry-After"]) > 0
    answer = operator.client.post("/api/tablet/entries", json={})
    assert answer.status_code == 503
    assert "nothing of this was taken" in answer.json["error"]["message"]


def test_only_a_server_that_serves_can_be_asked_to_end(app):
    ending, woken = ending_of(app), []
    assert not ending.ask()
    assert not ending.asked
    ending.heeded_by(lambda: woken.append(1))
    assert ending.ask()
    assert not ending.ask(), "whoever asks twice does not want to wait"
    assert woken == [1]
