"""The database of an app, and one session for each request."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar, cast

from flask import Flask, abort, current_app, g
from sqlalchemy import Engine
from sqlalchemy.orm import Session, sessionmaker

from trialog.records import schema
from trialog.records.base import LARGEST_ID, Base
from trialog.records.database import make_engine, make_sessions
from trialog.records.outbox import CHANNELS
from trialog.web.settings import Settings

NAME = "trialog"

Row = TypeVar("Row", bound=Base)


@dataclass(frozen=True)
class State:
    """What an app keeps for all its requests."""

    settings: Settings
    engine: Engine
    sessions: sessionmaker[Session]


def init_app(app: Flask, settings: Settings) -> None:
    """Connect an app with its database.

    Raises
    ------
    SchemaBehindError
        If the database's schema is not this version's.
    """
    engine = make_engine(settings.database_url)
    try:
        schema.require_current(engine)
    except BaseException:
        engine.dispose()
        raise
    told_over = {CHANNELS: settings.notices.channels}
    app.extensions[NAME] = State(settings, engine, make_sessions(engine, told_over))
    app.teardown_appcontext(_close_session)


def state(app: Flask | None = None) -> State:
    """Return an app's settings, engine and sessions; of the current app if none is given."""
    return cast(State, (app or current_app).extensions[NAME])


def get_session() -> Session:
    """Return the request's session; it is opened at the first call and closed at the end."""
    if "session" not in g:
        g.session = state().sessions()
    return cast(Session, g.session)


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
