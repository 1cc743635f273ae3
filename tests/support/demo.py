"""The demo's records, loaded once for all tests that only read them."""

from __future__ import annotations

import fcntl
import os
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy.orm import Session

from trialog.feeds.demo import load_demo
from trialog.records import schema
from trialog.records.database import embedded_url, make_engine, unit_of_work

DEMO_NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
DEMO_ZONE = ZoneInfo("Europe/Berlin")


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory):
    """Return the data folder of the demo. Tests in several processes share it: read only."""
    root = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        root = root.parent
    folder, done = root / "shared-demo", root / "shared-demo-is-loaded"
    with (root / "shared-demo-lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # whoever comes first loads, the others wait
        if not done.exists():
            folder.mkdir()
            _load(folder)
            done.touch()
    return folder


def _load(folder):
    engine = make_engine(embedded_url(folder))
    schema.upgrade(engine)
    with Session(engine) as session, unit_of_work(session):
        for _ in load_demo(session, now=DEMO_NOW):
            pass
    engine.dispose()


@pytest.fixture(scope="session")
def demo_engine(demo_folder):
    """Return an engine on the demo."""
    engine = make_engine(embedded_url(demo_folder))
    yield engine
    engine.dispose()


@pytest.fixture
def demo_session(demo_engine):
    """Return a session on the demo; nothing that a test does to it stays."""
    with Session(demo_engine) as session:
        yield session
        session.rollback()
