"""The database of an app, and one session for each request."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar, cast

from flask import Flask, abort, current_app, g
from sqlalchemy import Engine, inspect
from sqlalchemy.orm import Session, sessionmaker

from trialog.records import schema
from trialog.records.base import LARGEST_ID, Base
from trialog.records.database import make_engine, make_sessions
from trialog.records.outbox import CHANNELS
from trialog.records.replica import Replica
from trialog.web.settings import Settings

NAME = "trialog"

Row = TypeVar("Row", bound=Base)


@dataclass(frozen=True)
class State:
    """What an app keeps for all its requests."""

    settings: Settings
    engine: Engine
    sessions: sessionmaker[Session]
    replica: Replica | None = None

    def dispose(self) -> None:
        """Close all connections."""
        self.engine.dispose()
        if self.replica is not None:
            self.replica.engine.dispose()


def init_app(app: Flask, settings: Settings) -> None:
    """Connect an app with its database.

    Raises
    ------
    SchemaBehindError
        If the database's schema is not this version's.
    """
    engine = make_engine(settings.database_url, settings.limits)
    try:
        schema.require_current(engine)
    except BaseException:
        engine.dispose()
        raise
    told_over = {CHANNELS: settings.notices.channels}
    replica = None
    if settings.replica_url and engine.dialect.name == "postgresql":
        replica = Replica(engine, settings.replica_url, settings.replica_seconds, settings.limits)
    app.extensions[NAME] = State(settings, engine, make_sessions(engine, told_over), replica)
    app.teardown_appcontext(_close_session)


def state(app: Flask | None = None) -> State:
    """Return an app's settings, engine and sessions; of the current app if none is given."""
    return cast(State, (app or current_app).extensions[NAME])


def get_session() -> Session:
    """Return the request's session; it is opened at the first call and closed at the end."""
    if "session" not in g:
        g.session = state().sessions()
    return cast(Session, g.session)


@contextmanager
def reading_session(
    subject: Row | None, *, fresh: bool = False
) -> Iterator[tuple[Session, Row | None]]:
    """Give a session for reading only, and the row that it is about as it has it.

    It is on the replica where that keeps up and has the row already; what is read there may be
    some seconds old. `fresh`: only where it has all that had been written when this was asked.
    """
    replica = state().replica
    other = replica.session(fresh=fresh) if replica is not None else None
    if other is None:
        yield get_session(), subject
        return
    with other:
        same = None if subject is None else other.get(type(subject), inspect(subject).identity)
        if subject is not None and same is None:
            yield get_session(), subject
        else:
            yield other, same


def get_or_404(table: type[Row], row_id: int) -> Row:
    """Return the row of an id in an address, or answer that there is no such page."""
    row = get_session().get(table, row_id) if row_id <= LARGEST_ID else None
    if row is None:
        abort(404)
    return row


def _close_session(_error: BaseException | None) -> None:
    session: Session | None = g.pop("session", None)
    if session is not None:
        session.close()
