"""What pages say, from memory where nothing has changed; each app has a memory of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Flask, current_app

from trialog.records.models import Shift, Trial
from trialog.reports.remembered import RememberedPages, RememberedStandings
from trialog.reports.standings import Standing
from trialog.web.clock import now, zone
from trialog.web.database import get_session

STANDINGS, PAGES = "trialog_standings", "trialog_pages"


def init_app(app: Flask) -> None:
    """Give an app its memories: two of them may have different databases."""
    app.extensions[STANDINGS] = RememberedStandings()
    app.extensions[PAGES] = RememberedPages()


def standing_now() -> Standing:
    """Return what says how cells stand at this moment."""
    remembered: RememberedStandings = current_app.extensions[STANDINGS]
    return remembered.at_present(get_session())


def context_now(subject: Trial | Shift, build: Callable[[], Any]) -> dict[str, Any]:
    """Return what the page of a trial's or shift's report is written from at this moment."""
    remembered: RememberedPages = current_app.extensions[PAGES]
    return remembered.context(get_session(), subject, build, now=now(), zone=zone())
