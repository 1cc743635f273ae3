"""The server's clock, read in one place, and times as the shop reads them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from flask import Flask

from trialog.reports import words
from trialog.web.database import state


def now() -> datetime:
    """Return the present moment, in UTC. Read it once for each operation."""
    return datetime.now(UTC)


def zone() -> ZoneInfo:
    """Return the shop's time zone."""
    return state().settings.time_zone


def local_time(moment: datetime | None) -> str:
    """Write a moment in the shop's zone, to the minute; "–" where there is none."""
    return words.moment(moment, zone())


def init_app(app: Flask) -> None:
    """Give the templates the filter `local_time`."""
    app.jinja_env.filters["local_time"] = local_time
