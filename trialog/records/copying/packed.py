"""The file of a backup, written whole, and read so that whatever is damaged is said in words."""

from __future__ import annotations

import hashlib
import json
import lzma
import os
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import BinaryIO

from trialog.errors import ConflictError, InvalidValueError
from trialog.records.copying.moving import Heads

FORMAT, FORMAT_VERSION = "trialog backup", 1
MANIFEST, RECORDS, KEYS = "manifest.json", "trialog.db", "keys/"

DAMAGE = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, OSError, LookupError, RuntimeError,
    ValueError,
)  # fmt: skip
"""What `zipfile` raises where a byte is not as it was written; it has no word for all of it."""

PIECE = 1024 * 1024
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


def pack(packed: Path, manifest: Manifest, copy: Path, keys: Mapping[str, Path]) -> None:
    """Write the file of a backup: its manifest, the copied records, and keys by their names."""
    with (
        new_file(packed) as file,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=3) as archive,
    ):
        told = {"format": FORMAT, "version": FORMAT_VERSION, **asdict(manifest)}
        archive.writestr(MANIFEST, json.dumps(told, indent=1))
        archive.write(copy, RECORDS)
        for name, path in keys.items():
            archive.write(path, KEYS + name)


@contextmanager
def new_file(path: Path) -> Iterator[BinaryIO]:
    """Write a file for its owner's eyes only, and see it onto the disk."""
    with os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600), "w+b") as file:
        yield file
        file.flush()
        os.fsync(file.fileno())


def take_name(packed: Path, path: Path) -> None:
    """Give a file that is whole its name, which no other file may have yet.

    Raises
    ------
    ConflictError
        If another file has it.
    """
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
def open_packed(path: Path) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    """Open the file of a backup, and read what it says it holds.

    Raises
    ------
    InvalidValueError
        If the file is no backup, or its manifest is not as it was written.
    """
    with path.open("rb") as file:
        with reading(path):
            packed = zipfile.ZipFile(file)
        yield packed, _read_manifest(packed, path)


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Say in words that a backup is damaged; only what reads from it belongs inside."""
    try:
        yield
    except DAMAGE as error:
        raise _no_backup(path, str(error) or "it is damaged") from error


def _no_backup(path: Path, why: str) -> InvalidValueError:
    return InvalidValueError(
        "backup", f"be a whole file that trialog backup wrote ({why})", str(path)
    )


def _read_manifest(packed: zipfile.ZipFile, path: Path) -> Manifest:
    with reading(path):
        size = packed.getinfo(MANIFEST).file_size
    if size > LARGEST_MANIFEST:
        raise _no_backup(path, "its manifest is too large")
    with reading(path):
        content = packed.read(MANIFEST)
    try:
        told = json.loads(content)
        if told.pop("format") != FORMAT or told.pop("version") != FORMAT_VERSION:
            raise _no_backup(path, "it has another form")
        heads = told.pop("heads")
        books = tuple(
            (int(cell), int(length), str(head)) for cell, length, head in heads["logbooks"]
        )
        audit = (int(heads["audit"][0]), str(heads["audit"][1]))
        keys = tuple(map(str, told.pop("keys")))
        return Manifest(heads=Heads(books, audit), keys=keys, **told)
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError) as error:
        if isinstance(error, InvalidValueError):
            raise
        raise _no_backup(path, f"its manifest cannot be read: {error}") from error


def extract(packed: zipfile.ZipFile, manifest: Manifest, copy: Path, path: Path) -> None:
    """Write the records into a file of their own, and compare them with what the manifest says."""
    with reading(path):
        size = packed.getinfo(RECORDS).file_size
    if size != manifest.size:
        raise _no_backup(path, "its records have another size than its manifest says")
    digest = hashlib.sha256()
    with copy.open("wb") as file:
        for piece in _pieces(packed, path):
            digest.update(piece)
            file.write(piece)
    if digest.hexdigest() != manifest.sha256:
        raise _no_backup(path, "its records are not those that its manifest tells of")


def _pieces(packed: zipfile.ZipFile, path: Path) -> Iterator[bytes]:
    with reading(path), packed.open(RECORDS) as records:
        while piece := records.read(PIECE):
            yield piece
