"""The page of notices: their channels, how far each got, a test, another try."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for
from werkzeug.wrappers import Response

from trialog.notices import ask_for_test, left_untried, list_notices, try_again
from trialog.records.database import unit_of_work
from trialog.records.people import Action
from trialog.web.clock import now
from trialog.web.database import get_session, state
from trialog.web.identity import current_person
from trialog.web.notices import bp
from trialog.web.security import allowed

SHOWN = 50
"""How many notices the page lists; `trialog notices` lists more."""


@bp.get("/settings/notices")
@allowed(Action.NOTIFY)
def index() -> str:
    """Show the channels and the newest notices."""
    lines = list_notices(get_session(), most=SHOWN)
    settings = state().settings.notices
    return render_template("notices/index.html", lines=lines, settings=settings, shown=SHOWN)


@bp.post("/settings/notices/test")
@allowed(Action.NOTIFY)
def test() -> Response:
    """Send a test notice over each channel; the worker does, so that no server is waited for."""
    with unit_of_work(get_session()) as session:
        notices = ask_for_test(session, actor=current_person(), now=now())
    if notices:
        flash("The test goes out within seconds. Load this page again to see how it fared.", "good")
    else:
        flash("There is no channel to test: neither e-mail nor a webhook is set.", "bad")
    return redirect(url_for("notices.index"))


@bp.post("/settings/notices/retry")
@allowed(Action.NOTIFY)
def retry() -> Response:
    """Try everything again that has not got through over the channels that are set."""
    channels = state().settings.notices.channels
    with unit_of_work(get_session()) as session:
        again = try_again(session, channels, actor=current_person(), now=now())
        left = left_untried(session, channels)
    noun = "notice is" if again == 1 else "notices are"
    flash(f"{again} {noun} tried again within seconds.", "good")
    for words in left:
        flash(words, "bad")
    return redirect(url_for("notices.index"))
