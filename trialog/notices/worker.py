"""The worker: makes the reports that are due and sends the notices, in nobody's way."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Engine

from trialog.notices.delivering import Post, deliver_due, settle_unset
from trialog.records.partitions import make_ahead
from trialog.reports.keeping import keep_due

LOOK_SECONDS = 5.0
"""How often the worker looks for something to send."""

PARTITION_SECONDS = 3600.0
"""How often it looks whether the logbook needs its next partition, from the server's start on."""

REPORTS_AT_ONCE = 10
"""How many reports a look makes at most: after the import of a long log requests and notices
must not wait until all of them are made."""

GOODBYE_SECONDS = 2.0
"""How long the end of the server waits for what is being sent; later it is sent once more."""

_log = logging.getLogger(__name__)


@contextmanager
def sending(post: Post, *, every: float = LOOK_SECONDS) -> Iterator[threading.Thread]:
    """Keep reports and send notices beside what runs, in the thread that is yielded."""
    settle_unset(post.sessions, post.settings.channels)
    ended = threading.Event()

    engine: Engine = post.sessions.kw["bind"]

    def work() -> None:
        next_partitions = 0.0
        while not ended.is_set():
            if time.monotonic() >= next_partitions:
                next_partitions = time.monotonic() + PARTITION_SECONDS
                _make_partitions(engine)
            _look_once(post, ended)
            ended.wait(every)

    thread = threading.Thread(target=work, name="notices", daemon=True)
    thread.start()
    try:
        yield thread
    finally:
        ended.set()
        thread.join(GOODBYE_SECONDS)


def _make_partitions(engine: Engine) -> None:
    try:
        make_ahead(engine)
    except Exception:
        _log.exception("the logbook's next partition could not be made; tried again in an hour")


def _look_once(post: Post, ended: threading.Event) -> None:
    """Make, then send what is due: a notice leads to its report. What goes wrong is logged.

    The next look may find the database again.
    """
    try:
        keep_due(post.keeper, stopped=ended.is_set, most=REPORTS_AT_ONCE)
    except Exception:
        _log.exception("reports could not be looked up or kept; the next look tries again")
    try:
        deliver_due(post, stopped=ended.is_set)
    except Exception:
        _log.exception("notices could not be looked up or noted; the next look tries again")
