"""Proofs on real servers: minutes long, with a table of what was found at the end.

A proof is a function named prove_... It fails where something is lost, doubled or added up wrongly;
its figures go into the table with their bars and never fail it, since a machine may be busy.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass

import pytest
from support.databases import PostgresServer

from trialog.records.database import make_engine, make_sessions
from trialog.records.schema import upgrade

_ROWS = []


def pytest_addoption(parser):
    parser.addoption("--minutes", type=float, default=10.0, help="how long the load lasts")
    parser.addoption("--kills", type=int, default=200, help="how often app and database are killed")
    parser.addoption("--lines", type=int, default=200_000, help="lines of a file to import")
    parser.addoption("--turns", type=int, default=3, help="how many such files are imported")
    parser.addoption("--rows", type=int, default=1_000_000, help="lines of an old logbook")
    parser.addoption("--seed", type=int, default=20_260_302, help="of all that is random")


@dataclass(frozen=True)
class _Row:
    what: str
    found: str
    bar: str
    holds: bool | None


@pytest.fixture
def table(database_kind):
    """Return a function that puts a figure into the table; without a bar `holds` is None."""

    def add(what, found, *, bar="", holds=None):
        _ROWS.append(_Row(f"{database_kind}: {what}", found, bar, holds))

    return add


def pytest_terminal_summary(terminalreporter):
    if _ROWS:
        terminalreporter.write_line(f"\n{'':<66}{'found':>18}{'bar':>16}")
    for row in _ROWS:
        verdict = "  below its bar" if row.holds is False else ""
        terminalreporter.write_line(f"{row.what:<66}{row.found:>18}{row.bar:>16}{verdict}")


@pytest.fixture
def fresh_disk_databases(database_kind, tmp_path):
    """Return a function that makes migrated databases on the disk, as a shop has them."""
    server = (
        PostgresServer(tmp_path / "postgres", lasting=True) if database_kind != "sqlite" else None
    )
    numbers = iter(range(1000))

    def fresh():
        name = f"proof_{next(numbers)}"
        url = f"sqlite:///{tmp_path / name}.db" if server is None else server.create(name)
        engine = make_engine(url)
        upgrade(engine)
        engine.dispose()
        return url

    yield fresh
    if server is not None:
        server.stop()
    shutil.rmtree(tmp_path, ignore_errors=True)


@pytest.fixture
def disk_database(fresh_disk_databases):
    """Return the URL of a database on the disk whose commits outlive a power cut."""
    return fresh_disk_databases()


@pytest.fixture
def disk_sessions(disk_database):
    engine = make_engine(disk_database)
    yield make_sessions(engine)
    engine.dispose()
