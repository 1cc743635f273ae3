"""Backups: one file with all records of one moment, and a manifest that says what must be in it."""

from __future__ import annotations

import hashlib
import re
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from trialog import __version__
from trialog.errors import ConflictError, InvalidValueError
from trialog.records import schema
from trialog.records.copying.moving import (
    Begin,
    Moment,
    Moved,
    copy_moment,
    identity_of,
    one_moment,
    read_counts,
    read_heads,
)
from trialog.records.copying.packed import (
    RECORDS,
    Manifest,
    extract,
    open_packed,
    pack,
    take_name,
)
from trialog.records.copying.rows import Progress
from trialog.records.database import make_engine, make_sessions, read_one_moment
from trialog.records.verify import verify

NAME = re.compile(r"trialog-\d{8}T\d{6}Z\.zip")
"""How the files are named that `--keep` may clear away; others are not looked at."""

STAMP = "trialog-%Y%m%dT%H%M%SZ.zip"
"""The same, as the moment that a name tells."""

WORK = ".trialog-backup-"
STALE_SECONDS = 24 * 3600
PAGES = 2000
"""Pages of the embedded database copied at a time: 8 MB."""


@dataclass(frozen=True)
class Backup:
    """A backup that was made."""

    path: Path
    manifest: Manifest


def back_up(
    source: Engine,
    path: Path,
    *,
    now: datetime,
    keys: Mapping[str, Path],
    begin: Begin,
    progress: Progress,
    check: Callable[[Engine], None] = lambda _engine: None,
) -> Backup:
    """Write the records of one moment into a new file, while others go on writing.

    The file has its name only once all of it is on the disk. `keys` are files of the data folder
    that go along, by their names in it; `check` may look at the copy before it is packed.

    Raises
    ------
    ConflictError
        If the file is there already, or cannot be written.
    """
    if path.exists():
        raise ConflictError(f"{path} is there already: a backup never replaces another file")
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    clear_stale(path.parent)
    with _said_in_words(), work_folder(path.parent) as folder:
        copy = folder / RECORDS
        _copy_records(source, copy, begin, progress)
        with _opened(copy) as engine:
            check(engine)
            manifest = _manifest_of(engine, copy, now, tuple(keys))
        packed = folder / "packed"
        pack(packed, manifest, copy, keys)
        take_name(packed, path)
    return Backup(path, manifest)


def backup_name(now: datetime) -> str:
    """Return the name of a backup made now."""
    return now.astimezone(UTC).strftime(STAMP)


def moment_of(name: str) -> datetime | None:
    """Return the moment that the name of a backup tells; None if it is not named like one."""
    if not NAME.fullmatch(name):
        return None
    try:
        return datetime.strptime(name, STAMP).replace(tzinfo=UTC)
    except ValueError:  # a day that no month has
        return None


def drop_old(made: Backup, keep: int, *, now: datetime) -> list[Path]:
    """Remove the oldest backups of the same records beyond so many; return what went.

    A file that has another name, cannot be read, or holds other records is left alone. One that
    is named after a moment to come was made while a clock was wrong, so it goes before all others;
    the backup just made never goes.
    """
    own = []
    for path in made.path.parent.iterdir():
        moment = moment_of(path.name)
        if moment and path.name != made.path.name and _holds(path, made.manifest.records):
            own.append((moment <= now, moment, path))
    gone = [path for _past, _moment, path in sorted(own)[: max(len(own) + 1 - keep, 0)]]
    for path in gone:
        path.unlink()
    return gone


@contextmanager
def unpack(path: Path, parent: Path) -> Iterator[tuple[Engine, Manifest]]:
    """Open the records of a backup, brought to this version's schema, in a folder for a while.

    Raises
    ------
    InvalidValueError
        If the file is no backup, or is not as it was written.
    """
    parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    clear_stale(parent)
    with (
        _said_in_words(),
        open_packed(path) as (packed, manifest),
        work_folder(parent) as folder,
    ):
        copy = folder / RECORDS
        extract(packed, manifest, copy, path)
        with _opened(copy) as engine:
            schema.upgrade(engine)
            yield engine, manifest


def find_restored(source: Engine, target: Engine) -> Moved | None:
    """Return what a database holds if it is just what an unpacked backup holds, else None."""
    if schema.current_version(target) != schema.newest_version():
        return None
    with one_moment(source) as there, one_moment(target) as here:
        moment = Moment(read_counts(here), read_heads(here))
        if moment != Moment(read_counts(there), read_heads(there)):
            return None
    with make_sessions(target)() as session:
        read_one_moment(session)
        return Moved(moment, tuple(verify(session)))


def clear_stale(parent: Path) -> None:
    """Remove what was left by a backup or restore that was killed; one that runs is younger."""
    for folder in parent.glob(f"{WORK}*"):
        with suppress(FileNotFoundError):  # another command clears up too
            if time.time() - folder.stat().st_mtime > STALE_SECONDS:
                shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def work_folder(parent: Path) -> Iterator[Path]:
    """Make a folder to work in that goes afterwards; only a process that is killed leaves it."""
    folder = Path(tempfile.mkdtemp(prefix=WORK, dir=parent))  # its owner's alone
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def _said_in_words() -> Iterator[None]:
    """Say in one line that a file could not be written; nothing has been left of it."""
    try:
        yield
    except (sqlite3.Error, DBAPIError) as error:
        cause = getattr(error, "orig", error)
        raise ConflictError(f"the records could not be copied ({cause})") from error


@contextmanager
def _opened(path: Path) -> Iterator[Engine]:
    engine = make_engine(f"sqlite:///{path}")
    try:
        yield engine
    finally:
        engine.dispose()


def _copy_records(source: Engine, copy: Path, begin: Begin, progress: Progress) -> None:
    schema.require_current(source)
    if source.dialect.name == "sqlite":
        _copy_pages(source, copy, begin, progress)
        return
    with _opened(copy) as engine:
        copy_moment(source, engine, begin=begin, progress=progress)


def _copy_pages(source: Engine, copy: Path, begin: Begin, progress: Progress) -> None:
    """Copy the embedded database page by page, from one moment.

    The transaction that is open for reading meanwhile holds that moment: else each write of
    others would make the copy begin again.
    """
    with source.connect() as connection, sqlite3.connect(copy) as into:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        connection.exec_driver_sql("SELECT count(*) FROM alembic_version").scalar_one()
        begin(pages)
        driver: Any = connection.connection.driver_connection
        done = 0

        def note(_status: int, left: int, total: int) -> None:
            nonlocal done
            progress(total - left - done)
            done = total - left

        driver.backup(into, pages=PAGES, progress=note)
    into.close()


def _manifest_of(engine: Engine, copy: Path, now: datetime, keys: tuple[str, ...]) -> Manifest:
    with one_moment(engine) as connection:
        counts, heads = read_counts(connection), read_heads(connection)
    records, version = identity_of(engine), str(schema.current_version(engine))
    with engine.connect() as connection:
        # One file holds all of it, without those that a database at work has beside it.
        connection.connection.driver_connection.execute("PRAGMA journal_mode = DELETE")  # type: ignore[union-attr]
    engine.dispose()
    with copy.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    made_at = now.astimezone(UTC).isoformat(timespec="seconds")
    by = f"trialog {__version__}"
    size = copy.stat().st_size
    return Manifest(records, version, made_at, by, counts, heads, size, sha256, keys)


def _holds(path: Path, records: str) -> bool:
    try:
        with open_packed(path) as (_packed, manifest):
            return manifest.records == records
    except (InvalidValueError, OSError):
        return False
