"""How the machines are heard. What is listened to is set up from the command line."""

from __future__ import annotations

from flask import render_template

from trialog.feeds.mtconnect.standing import FeedState, feed_standing
from trialog.records.feeds import all_feeds
from trialog.records.people import Action
from trialog.web.clock import now
from trialog.web.database import get_session
from trialog.web.feeds import bp
from trialog.web.security import allowed

SIGNS = {
    FeedState.LISTENING: "●",
    FeedState.FAILING: "▲",
    FeedState.SILENT: "○",
    FeedState.PAUSED: "Ⅱ",
}
"""A shape to each state: a word and a colour alone are not enough at arm's length."""


@bp.get("/feeds")
@allowed(Action.SET_UP)
def index() -> str:
    """List the feeds and how they stand."""
    moment = now()
    told = [feed_standing(feed, moment) for feed in all_feeds(get_session())]
    return render_template("feeds/index.html", feeds=told, signs=SIGNS)
