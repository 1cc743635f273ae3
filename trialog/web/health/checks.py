"""What must hold for a server to take entries, each under a name of its own."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import cast

from flask import Flask
from flask.sansio.app import App
from sqlalchemy.exc import SQLAlchemyError

from trialog.records import schema
from trialog.records.disk import embedded_file, room_for
from trialog.web.database import NAME, State
from trialog.web.journal.faults import words_of
from trialog.web.probing import Probe

PATIENCE = 2.0
"""Seconds that the database has to answer; whoever watches servers seldom waits longer.
Common practice, no source."""

KEPT = 1.0
"""Seconds that what was found stands for: however often it is asked, the database is not."""

_NAME = "trialog_health"
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Check:
    """One thing that must hold. What it says is for everybody: no names, paths or versions."""

    name: str
    ok: bool
    says: str


class Health:
    """The checks of an app."""

    def __init__(self, here: State, *, patience: float = PATIENCE, kept: float = KEPT) -> None:
        self._here = here
        self._database = Probe(self._ask_database, patience=patience, kept=kept)
        self._worker: threading.Thread | None = None

    def watch_worker(self, thread: threading.Thread) -> None:
        """Hold the server to the thread that keeps reports and sends notices."""
        self._worker = thread

    def checks(self) -> list[Check]:
        """Try everything that must hold, in bounded time."""
        return [*self._of_database(), *self._of_disk(), *self._of_worker()]

    def _ask_database(self) -> bool:
        """Return whether the schema is this version's; raises where the database fails."""
        return schema.current_version(self._here.engine) == schema.newest_version()

    def _of_database(self) -> Iterator[Check]:
        try:
            current = self._database.answer()
        except TimeoutError:
            yield Check("database", False, "does not answer in time")
            return
        except SQLAlchemyError as error:
            _log.warning("the database does not answer: %s", words_of(error))
            yield Check("database", False, "does not answer")
            return
        yield Check("database", True, "answers")
        yield Check("schema", current, "is this version's" if current else "is another version's")

    def _of_disk(self) -> Iterator[Check]:
        """Look at the disk of the embedded database; that of a server is not seen from here."""
        file = embedded_file(self._here.engine.url)
        if file is None:
            return
        try:
            room = room_for(file)
        except OSError:
            yield Check("disk", False, "cannot be looked at")
            return
        if not room.writable:
            yield Check("disk", False, "cannot be written")
        elif room.nearly_full:
            yield Check("disk", False, "is nearly full")
        else:
            yield Check("disk", True, "has room")

    def _of_worker(self) -> Iterator[Check]:
        """Look whether reports are kept and notices sent, where this process is to do that."""
        if self._worker is not None:
            alive = self._worker.is_alive()
            yield Check("worker", alive, "runs" if alive else "has ended")


def init_app(app: App) -> None:
    """Give an app its checks."""
    app.extensions[_NAME] = Health(cast(State, app.extensions[NAME]))


def health_of(app: Flask) -> Health:
    """Return the checks of an app."""
    return cast(Health, app.extensions[_NAME])
