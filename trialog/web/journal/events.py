"""Events that are worth a line of the server's log beside the requests: ids and counts only."""

from __future__ import annotations

import logging

from trialog.web.journal.forms import FACTS
from trialog.web.observing import request_id

_log = logging.getLogger("trialog.events")


def note_event(event: str, /, *, level: int = logging.INFO, **facts: int | str | None) -> None:
    """Write a line about something that a request brought about, with the request's id.

    `facts` are ids, counts and words of our own: never what somebody typed, never a secret.
    """
    known = {name: value for name, value in facts.items() if value is not None}
    _log.log(level, event, extra={FACTS: {"request": request_id(), **known}})
