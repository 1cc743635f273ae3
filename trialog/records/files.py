"""Photos and files of revisions: kept once, under the hash of their bytes, beside the tablets'."""

from __future__ import annotations

import hashlib
import mimetypes
from datetime import datetime
from pathlib import PurePosixPath

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.records.audit import record_event
from trialog.records.base import NAME_LIMIT
from trialog.records.entries import SHA256
from trialog.records.models import Person, Photo

LARGEST_FILE = 5 * 1024 * 1024
"""Bytes: a photo, a drawing or a page of a data sheet. The database holds them all."""

UNKNOWN_TYPE = "application/octet-stream"


def store_file(
    session: Session, filename: str, content: bytes, *, actor: Person | None, now: datetime
) -> str:
    """Keep a file under its hash, and return that. The same bytes are kept once, as first named.

    Raises
    ------
    InvalidValueError
        If the file has no usable name, is empty or is too large.
    """
    name = _name_of(filename)
    if not content:
        raise InvalidValueError("file", "not be empty", name)
    if len(content) > LARGEST_FILE:
        most = f"be at most {LARGEST_FILE // (1024 * 1024)} MB"
        raise InvalidValueError("file", most, f"{len(content):,} bytes")
    sha256 = hashlib.sha256(content).hexdigest()
    if session.get(Photo, sha256) is None:
        _add(session, Photo(sha256=sha256, content=content, filename=name, stored_at=now,
                            media_type=_type_of(name)), actor)  # fmt: skip
    return sha256


def _add(session: Session, file: Photo, actor: Person | None) -> None:
    try:
        with session.begin_nested():
            session.add(file)
    except IntegrityError:  # the same file, sent twice at once
        return
    record_event(
        session, "stored", "file", None, actor=actor, now=file.stored_at,
        sha256=file.sha256, filename=file.filename, bytes=len(file.content),
    )  # fmt: skip


def _name_of(filename: str) -> str:
    """Return a file's name without the folders that some browsers send along."""
    name = PurePosixPath(filename.replace("\\", "/")).name.strip()
    if not name or not name.isprintable():
        raise InvalidValueError("file", "have a name of printable characters", filename)
    if len(name) <= NAME_LIMIT:
        return name
    ending = PurePosixPath(name).suffix[:NAME_LIMIT]
    return name[: NAME_LIMIT - len(ending)] + ending


def _type_of(name: str) -> str:
    """Return the type that a name's ending stands for; what a browser claims is not asked.

    The table is Python's own, so that a type does not depend on the computer.
    """
    ending = PurePosixPath(name).suffix.lower()
    found: str = mimetypes.MimeTypes().types_map[True].get(ending, UNKNOWN_TYPE)
    return found


def file_of(session: Session, sha256: str) -> Photo | None:
    """Return a stored file, or None where there is none of this hash."""
    return session.get(Photo, sha256) if SHA256.fullmatch(sha256) else None
