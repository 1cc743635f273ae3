"""The server's log as it is written, in both forms at once and from the lowest level on."""

from __future__ import annotations

import io
import json
import logging
from functools import partialmethod

import pytest
from flask.testing import FlaskClient

from trialog.web.journal import FORMS


class Journal:
    """All that was logged, as each form writes it."""

    def __init__(self):
        self._streams = {form: io.StringIO() for form in FORMS}
        self.handlers = []
        for form, stream in self._streams.items():
            self.handlers.append(logging.StreamHandler(stream))
            self.handlers[-1].setFormatter(FORMS[form]())

    def text(self, form):
        return self._streams[form].getvalue()

    @property
    def everything(self):
        return "".join(self.text(form) for form in FORMS)

    def lines(self, event):
        """Return the lines of an event, read as a program would read them."""
        read = [json.loads(line) for line in self.text("json").splitlines()]
        return [line for line in read if line["event"] == event]

    def last(self, event="request"):
        return self.lines(event)[-1]


@pytest.fixture
def journal(monkeypatch):
    """Return what is logged during a test, whoever logs it."""
    # A request is logged when its answer was taken whole and closed, as every server does.
    monkeypatch.setattr(FlaskClient, "open", partialmethod(FlaskClient.open, buffered=True))
    kept, root = Journal(), logging.getLogger()
    # What SQLAlchemy would say of each statement is never switched on by a setting.
    heard, quiet = [root, logging.getLogger("trialog")], logging.getLogger("sqlalchemy")
    before = [one.level for one in heard]
    for one in heard:
        one.setLevel(logging.DEBUG)
    quiet.setLevel(logging.WARNING)
    for handler in kept.handlers:
        root.addHandler(handler)
    yield kept
    for handler in kept.handlers:
        root.removeHandler(handler)
    for one, level in zip(heard, before, strict=True):
        one.setLevel(level)
