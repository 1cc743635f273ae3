"""Begin the server's log: who writes into it, in which form, and from which level on."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from trialog.web.journal.forms import FORMS

OURS = "trialog"
QUIET = {"waitress.queue": logging.ERROR}
"""Loggers that say, of every moment in which all threads work, what the metrics say better."""


@contextmanager
def keep_journal(form: str, level: str) -> Iterator[None]:
    """Write the server's log to the standard error while it runs, in a form and from a level on.

    Other libraries are heard from warnings on: what they say below that is about themselves.
    """
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(FORMS[form]())
    ours, everybody = logging.getLogger(OURS), logging.getLogger()
    before = ours.level
    ours.setLevel(level.upper())
    for name, least in QUIET.items():
        logging.getLogger(name).setLevel(least)
    everybody.addHandler(handler)
    try:
        yield
    finally:
        everybody.removeHandler(handler)
        ours.setLevel(before)
