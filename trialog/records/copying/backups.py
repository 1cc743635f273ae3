"""Backups: one file with all records of one moment, and a manifest that says what must be in it."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import sqlite3
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

from trialog import __version__
from trialog.errors import ConflictError, InvalidValueError
from trialog.records import schema
from trialog.records.copying.moving import (
    Begin,
    Heads,
    copy_moment,
    identity_of,
    one_moment,
    read_counts,
    read_heads,
)
from trialog.records.copying.rows import Progress
from trialog.records.database import make_engine

FORMAT, FORMAT_VERSION = "trialog backup", 1
MANIFEST, RECORDS, KEYS = "manifest.json", "trialog.db", "keys/"
NAME = re.compile(r"trialog-\d{8}T\d{6}Z\.zip")
"""How the files are named that `--keep` may clear away; others are not looked at."""

STAMP = "trialog-%Y%m%dT%H%M%SZ.zip"
"""The same, as the moment that a name tells."""

WORK = ".trialog-backup-"
STALE_SECONDS = 24 * 3600
PIECE = 1024 * 1024
PAGES = 2000
"""Pages of the embedded database copied at a time: 8 MB."""

LARGEST_MANIFEST = 64 * PIECE


@dataclass(frozen=True)
class Manifest:
    """What a backup holds; written beside the records in its file."""

    records: str
    """The hash of the audit's first event: other records have another."""

    schema: str
    made_at: str
    made_by: str
    counts: Mapping[str, int]
    heads: Heads
    size: int
    sha256: str
    keys: tuple[str, ...]


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
    _clear_stale(path.parent)
    with _said_in_words(), _work_folder(path.parent) as folder:
        copy = folder / RECORDS
        _copy_records(source, copy, begin, progress)
        with _opened(copy) as engine:
            check(engine)
            manifest = _manifest_of(engine, copy, now, tuple(keys))
        packed = folder / "packed"
        _pack(packed, manifest, copy, keys)
        _take_name(packed, path)
    return Backup(path, manifest)


def backup_name(now: datetime) -> str:
    """Return the name of a backup made now."""
    return now.astimezone(UTC).strftime(STAMP)


def drop_old(folder: Path, keep: int, records: str) -> list[Path]:
    """Remove the oldest backups of these records beyond so many; return what went.

    A file that has another name, cannot be read, or holds other records is left alone.
    """
    own = sorted(path for path in folder.iterdir() if NAME.fullmatch(path.name))
    own = [path for path in own if _holds(path, records)]
    gone = own[: max(len(own) - keep, 0)]
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
    with _said_in_words(), _reading(path) as packed, _work_folder(parent) as folder:
        manifest = _read_manifest(packed, path)
        copy = folder / RECORDS
        _extract(packed, manifest, copy, path)
        with _opened(copy) as engine:
            schema.upgrade(engine)
            yield engine, manifest


def put_keys(path: Path, folder: Path) -> list[str]:
    """Put the keys of a backup into a data folder; one that has its own keeps it."""
    put = []
    with _reading(path) as packed:
        for name in _read_manifest(packed, path).keys:
            if not re.fullmatch(r"[\w-]+(?:/[\w.-]+)?", name, re.ASCII) or "/.." in name:
                raise InvalidValueError("name of a key", "be one of the data folder's", name)
            place = folder / name
            if not place.exists():
                place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                with os.fdopen(
                    os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb"
                ) as f:
                    f.write(packed.read(KEYS + name))
                put.append(name)
    return put


def keys_of(folder: Path) -> dict[str, Path]:
    """Return the files of a data folder that the server proves itself with, by their names."""
    files = [folder / "secret_key", *sorted((folder / "tls").glob("*"))]
    return {str(path.relative_to(folder)): path for path in files if path.is_file()}


@contextmanager
def _work_folder(parent: Path) -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix=WORK, dir=parent))  # its owner's alone
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _clear_stale(parent: Path) -> None:
    """Remove what a backup left that was killed; one that still runs is younger."""
    for folder in parent.glob(f"{WORK}*"):
        if time.time() - folder.stat().st_mtime > STALE_SECONDS:
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


def _pack(packed: Path, manifest: Manifest, copy: Path, keys: Mapping[str, Path]) -> None:
    handle = os.open(packed, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w+b") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive:
            told = {"format": FORMAT, "version": FORMAT_VERSION, **asdict(manifest)}
            archive.writestr(MANIFEST, json.dumps(told, indent=1))
            archive.write(copy, RECORDS)
            for name, path in keys.items():
                archive.write(path, KEYS + name)
        file.flush()
        os.fsync(file.fileno())


def _take_name(packed: Path, path: Path) -> None:
    try:
        os.link(packed, path)  # unlike a renaming it never replaces what came in between
    except FileExistsError as error:
        raise ConflictError(f"{path} is there already") from error
    except OSError:
        packed.rename(path)  # not every file system has links
    with suppress(OSError):  # nor can every one be told so
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


@contextmanager
def _reading(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(path) as packed:
            yield packed
    except (zipfile.BadZipFile, KeyError) as error:
        raise _no_backup(path, str(error)) from error


def _no_backup(path: Path, why: str) -> InvalidValueError:
    return InvalidValueError(
        "backup", f"be a whole file that trialog backup wrote ({why})", str(path)
    )


def _read_manifest(packed: zipfile.ZipFile, path: Path) -> Manifest:
    if packed.getinfo(MANIFEST).file_size > LARGEST_MANIFEST:
        raise _no_backup(path, "its manifest is too large")
    try:
        told = json.loads(packed.read(MANIFEST))
        if told.pop("format") != FORMAT or told.pop("version") != FORMAT_VERSION:
            raise _no_backup(path, "it has another form")
        heads = told.pop("heads")
        books = tuple(
            (int(cell), int(length), str(head)) for cell, length, head in heads["logbooks"]
        )
        audit = (int(heads["audit"][0]), str(heads["audit"][1]))
        keys = tuple(map(str, told.pop("keys")))
        return Manifest(heads=Heads(books, audit), keys=keys, **told)
    except (ValueError, TypeError, LookupError, AttributeError) as error:
        if isinstance(error, InvalidValueError):
            raise
        raise _no_backup(path, f"its manifest cannot be read: {error}") from error


def _holds(path: Path, records: str) -> bool:
    try:
        with _reading(path) as packed:
            return _read_manifest(packed, path).records == records
    except (InvalidValueError, OSError):
        return False


def _extract(packed: zipfile.ZipFile, manifest: Manifest, copy: Path, path: Path) -> None:
    """Write the records into a file of their own, and compare them with what the manifest says."""
    if packed.getinfo(RECORDS).file_size != manifest.size:
        raise _no_backup(path, "its records have another size than its manifest says")
    digest = hashlib.sha256()
    with packed.open(RECORDS) as records, copy.open("wb") as file:
        for piece in _pieces(records):
            digest.update(piece)
            file.write(piece)
    if digest.hexdigest() != manifest.sha256:
        raise _no_backup(path, "its records are not those that its manifest tells of")


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    while piece := file.read(PIECE):
        yield piece
