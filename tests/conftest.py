"""What every test may ask for: databases, people, a cell, a browser, a running server."""

from __future__ import annotations

import gc
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import settings
from support.compiled import share_compiled_routes, share_compiled_statements
from support.hashing import hash_quickly
from support.network import loopback_only

from trialog.records.database import make_engine, make_sessions

pytest_plugins = [
    "support.people", "support.cells", "support.databases", "support.browsing",
    "support.tablet_fixtures", "support.demo", "support.demo_pages", "support.cluster",
    "support.copies",
]  # fmt: skip

# One seed for all: a test that passes today and fails tomorrow without a change is a bug.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")

KINDS = ("sqlite", "postgresql")
TESTS = Path(__file__).parent


def pytest_configure(config):
    config.addinivalue_line(
        "markers", "database(*kinds): run only on these of sqlite and postgresql, with a reason"
    )


COUNTED = ("reliability", "evidence", "checks")
"""Folders of tests that reach every line which must be reached; counting takes twice the time.

A long simulation among them bears the mark `no_cover` itself: shorter tests reach its lines too.
"""


def pytest_collection_modifyitems(items):
    """Count lines only while the tests run that every line of two rooms is held to."""
    for item in items:
        if item.path.relative_to(TESTS).parts[0] not in COUNTED:
            item.add_marker(pytest.mark.no_cover)


@pytest.hookimpl(wrapper=True)
def pytest_collection():
    """Look for no garbage among the tests themselves, neither now nor while they run."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()
        gc.enable()


def pytest_generate_tests(metafunc):
    """Run every test that asks for a database on both kinds, or on those it names."""
    if "database_kind" in metafunc.fixturenames:
        marker = metafunc.definition.get_closest_marker("database")
        metafunc.parametrize("database_kind", marker.args if marker else KINDS, indirect=True)


@pytest.fixture(autouse=True, scope="session")
def isolation(tmp_path_factory):
    """Let nothing leave this machine, and let nothing in from the user's own trialog."""
    with pytest.MonkeyPatch.context() as patch:
        for name in [name for name in os.environ if name.startswith("TRIALOG_")]:
            if not name.startswith("TRIALOG_TEST_"):
                patch.delenv(name)
        patch.setenv("TRIALOG_DATA_FOLDER", str(tmp_path_factory.mktemp("data")))
        loopback_only(patch)
        hash_quickly(patch)
        share_compiled_statements(patch)
        share_compiled_routes(patch)
        yield


@pytest.fixture
def now():
    """Return the moment at which everything in a test happens: a Monday, 14:00 UTC."""
    return datetime(2026, 3, 2, 14, 0, tzinfo=UTC)


@pytest.fixture
def engine(database):
    """Return an engine on a fresh database."""
    engine = make_engine(database)
    yield engine
    engine.dispose()


@pytest.fixture
def sessions(engine):
    """Return the factory of sessions on a fresh database, for tests that need several."""
    return make_sessions(engine)


@pytest.fixture
def session(sessions):
    """Return a session on a fresh database."""
    with sessions() as session:
        yield session
