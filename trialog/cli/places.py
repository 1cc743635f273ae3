"""Which database a command works on: flags, TRIALOG_… variables, and a session on it."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Engine, make_url
from sqlalchemy.exc import (
    DatabaseError,
    DBAPIError,
    InterfaceError,
    OperationalError,
)
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.records import schema
from trialog.records.database import (
    data_folder,
    database_url,
    embedded_url,
    make_engine,
    make_sessions,
)
from trialog.records.disk import first_cause
from trialog.records.outbox import CHANNELS, channels_set

PERMISSION_DENIED = "42501"
"""SQLSTATE of a database that lets a user in but not at its tables."""


@dataclass(frozen=True)
class Place:
    """The database and the data folder that a command was given, if any."""

    database: str | None
    folder: Path | None

    @property
    def url(self) -> str:
        """The URL of the database: a flag wins over a variable, a database over a folder."""
        if self.database:
            return self.database
        if self.folder is not None and not os.environ.get("TRIALOG_DATABASE_URL"):
            return embedded_url(self.folder)
        return database_url()

    @property
    def data_folder(self) -> Path:
        """Where files are kept."""
        return self.folder or data_folder()


def place_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that say where the records are, as its argument `place`."""

    @click.option("--database", metavar="URL", help="Database URL (default: TRIALOG_DATABASE_URL).")
    @click.option(
        "--data-folder",
        type=click.Path(file_okay=False, path_type=Path),
        metavar="DIR",
        help="Folder of the embedded database (default: TRIALOG_DATA_FOLDER).",
    )
    @functools.wraps(command)
    def placed(*args: Any, database: str | None, data_folder: Path | None, **options: Any) -> None:
        command(*args, place=Place(database, data_folder), **options)

    return placed


@contextmanager
def engine_on(url: str) -> Iterator[Engine]:
    """Open a database, whatever its schema.

    Raises
    ------
    InvalidValueError
        If it cannot be reached, or is no database.
    """
    with reachable(url):
        engine = make_engine(url)
        try:
            yield engine
        finally:
            engine.dispose()


@contextmanager
def reachable(url: str) -> Iterator[None]:
    """Say in one line that a database cannot be used, and why."""
    try:
        yield
    except DBAPIError as error:
        if _is_a_fault_of_trialog(error):
            raise
        raise _unusable(url, _first_cause(error)) from error


def _first_cause(error: DBAPIError) -> str:
    """Return what the driver said first; a rollback after it may fail as well, and say less."""
    first = first_cause(error)
    return str(first.orig).strip() or type(first.orig).__name__


def _is_a_fault_of_trialog(error: DBAPIError) -> bool:
    """Tell a statement that is wrong from a database that cannot be reached, read or written."""
    refused = getattr(error.orig, "sqlstate", None) == PERMISSION_DENIED
    unreachable = isinstance(error, OperationalError | InterfaceError)
    return not (refused or unreachable or type(error) is DatabaseError)


def _unusable(url: str, cause: str) -> InvalidValueError:
    hidden = make_url(url).render_as_string(hide_password=True)
    return InvalidValueError(
        "database", f"be one that can be used ({cause.splitlines()[0]})", hidden
    )


@contextmanager
def records_at(place: Place) -> Iterator[Session]:
    """Open a session on records whose schema is this version's.

    Raises
    ------
    SchemaBehindError
        If the schema is another one; the message names the command that upgrades it.
    """
    with engine_on(place.url) as engine:
        schema.require_current(engine)
        with make_sessions(engine, {CHANNELS: channels_set(os.environ)})() as session:
            yield session
