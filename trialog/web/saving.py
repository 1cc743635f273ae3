"""From a form to the records: one unit of work, and refusals put beside the field they name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from flask import make_response, render_template
from sqlalchemy.orm import Session
from werkzeug.wrappers import Response

from trialog.errors import ConflictError, InvalidValueError, TrialogError, shown
from trialog.records.database import unit_of_work
from trialog.web.database import get_session

T = TypeVar("T")


def save(form: Any, fields: Mapping[str, str], work: Callable[[Session], T]) -> T | None:
    """Run `work` in one unit of work, or tell the form why it was refused.

    `fields`: the records' word for a field, and the form's field. None: nothing was saved.
    """
    session = get_session()
    try:
        with unit_of_work(session):
            return work(session)
    except (InvalidValueError, ConflictError) as error:
        place_error(form, fields, error)
        return None


def place_error(form: Any, fields: Mapping[str, str], error: TrialogError) -> None:
    """Put an error beside the field it names, or on top of the form."""
    words = str(error)
    named = [
        word
        for word, field in fields.items()
        if field in form and words.startswith(f"{word} must ")
    ]
    if not named:
        form.form_errors = [*form.form_errors, f"{words[:1].upper()}{words[1:]}."]
        return
    field = form[fields[max(named, key=len)]]
    field.errors = [*field.errors, _beside(error, max(named, key=len))]


def _beside(error: TrialogError, word: str) -> str:
    if isinstance(error, InvalidValueError):
        return f"Must {error.rule}, got {shown(error.value)}."
    return f"{str(error)[len(word) + 1 :].capitalize()}."


def form_page(template: str, form: Any, **context: object) -> Response:
    """Render a form's page; as refused where the form has errors, so that programs notice."""
    page = render_template(template, form=form, **context)
    return make_response(page, 422 if form.errors else 200)
