"""Lists that are looked through by an address: which days, and whether they can be asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar
from zoneinfo import ZoneInfo

from wtforms import DateField, Form
from wtforms.validators import Optional

from trialog.errors import InvalidValueError
from trialog.web.clock import zone
from trialog.web.saving import place_error

T = TypeVar("T")
FIELDS = {"from": "first", "to": "last"}


class SearchForm(Form):  # type: ignore[misc]  # wtforms has no types
    """The days that are looked for. Nothing is saved, so it needs no token."""

    first = DateField("From", validators=[Optional()])
    last = DateField("To", validators=[Optional()])

    def narrowed(self) -> bool:
        """Say whether anything is looked for."""
        return any(field.data for field in self)


def asked_of(form: SearchForm, read: Callable[[ZoneInfo], T]) -> T | None:
    """Return the filter that `read` makes of a form, the shop's zone given.

    None where a field breaks its rule, which is said beside it.
    """
    if not form.validate():
        return None
    try:
        return read(zone())
    except InvalidValueError as error:
        place_error(form, FIELDS, error)
        return None
