"""The disk that the embedded database is on, and errors that say a disk is full."""

from __future__ import annotations

import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import URL, make_url
from sqlalchemy.exc import DBAPIError

NEARLY_FULL = 100 * 1024 * 1024
"""Bytes; with less free the server says that it is not ready, long before a line is refused.
Common practice, no source."""

DISK_FULL = "53100"
"""SQLSTATE of PostgreSQL for a disk without room."""


@dataclass(frozen=True)
class Room:
    """How much room a disk has, and whether this user may write there."""

    free: int
    writable: bool

    @property
    def nearly_full(self) -> bool:
        """Whether so little is left that somebody must make room."""
        return self.free < NEARLY_FULL


def embedded_file(url: str | URL) -> Path | None:
    """Return the file of an embedded database; None where a server keeps the database."""
    parsed = make_url(url)
    embedded = parsed.get_backend_name() == "sqlite" and parsed.database not in (None, ":memory:")
    return Path(str(parsed.database)) if embedded else None


def room_for(file: Path) -> Room:
    """Return how much room there is for a file to grow.

    Raises
    ------
    OSError
        If its folder cannot be looked at.
    """
    disk = os.statvfs(file.parent)
    names_left = disk.f_favail > 0 or disk.f_files == 0  # some file systems do not count them
    places = (file.parent, file) if file.exists() else (file.parent,)
    return Room(
        free=disk.f_bavail * disk.f_frsize if names_left else 0,
        writable=all(os.access(place, os.W_OK) for place in places),
    )


def is_full(error: DBAPIError) -> bool:
    """Say whether a statement failed because a disk has no room."""
    cause = first_cause(error).orig
    code = getattr(cause, "sqlite_errorcode", None)
    return code == sqlite3.SQLITE_FULL or getattr(cause, "sqlstate", None) == DISK_FULL


def first_cause(error: DBAPIError) -> DBAPIError:
    """Return the error that came first: the end of what it broke off may fail as well.

    SQLite, where a disk is full, ends the transaction by itself, so that a rollback to a savepoint
    finds none and hides why.
    """
    first, earlier = error, error.__context__
    while earlier is not None:
        first = earlier if isinstance(earlier, DBAPIError) else first
        earlier = earlier.__context__
    return first
