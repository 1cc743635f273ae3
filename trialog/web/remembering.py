"""How cells stand, from memory where nothing has changed; each app has a memory of its own."""

from __future__ import annotations

from flask import Flask, current_app

from trialog.reports.remembered import RememberedStandings
from trialog.reports.standings import Standing
from trialog.web.database import get_session

NAME = "trialog_standings"


def init_app(app: Flask) -> None:
    """Give an app a memory: two of them may have different databases."""
    app.extensions[NAME] = RememberedStandings()


def standing_now() -> Standing:
    """Return what says how cells stand at this moment."""
    remembered: RememberedStandings = current_app.extensions[NAME]
    return remembered.at_present(get_session())
