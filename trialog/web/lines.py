"""Forms that write one line of the logbook."""

from __future__ import annotations

from uuid import uuid4

from flask_wtf import FlaskForm
from wtforms import HiddenField
from wtforms.validators import Regexp

CLIENT_ID = r"[0-9a-f-]{36}\Z"


def new_id() -> str:
    """Make a line's client id with the page: its button pressed twice writes one line."""
    return str(uuid4())


class LineForm(FlaskForm):  # type: ignore[misc]  # flask_wtf has no types
    """A form that writes one line of the logbook."""

    client_id = HiddenField(default=new_id, validators=[Regexp(CLIENT_ID)])
