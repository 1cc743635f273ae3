"""Register a view of the API together with its part of the OpenAPI document."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Any, TypeVar

from flask import Response
from pydantic import BaseModel

from trialog.records.words import Scope
from trialog.reports.kinds import FORMS
from trialog.web.api import bp
from trialog.web.api.access import scoped
from trialog.web.api.answers import Plain, answer
from trialog.web.api.bodies import LARGEST_BODY, read_body, read_file, read_query

OPERATION = "trialog_operation"

View = TypeVar("View", bound=Callable[..., BaseModel | Plain | Response])


class File:
    """Media types of files that operations answer with."""

    LOG = ("text/csv",)
    REPORTS = tuple(form.media_type for form in FORMS.values() if form.name != "json")


@dataclass(frozen=True, kw_only=True)
class Operation:
    """What the document says of a view beyond its docstring."""

    scope: Scope
    tag: str
    gives: type[BaseModel] | str | None
    also: tuple[str, ...]
    takes: type[BaseModel] | str | None
    query: type[BaseModel] | None
    problems: tuple[int, ...]
    largest_body: int


def operation(
    method: str,
    rule: str,
    *,
    scope: Scope,
    tag: str,
    gives: type[BaseModel] | str | None,
    also: tuple[str, ...] = (),
    takes: type[BaseModel] | str | None = None,
    query: type[BaseModel] | None = None,
    problems: tuple[int, ...] = (),
    largest_body: int = LARGEST_BODY,
) -> Callable[[View], View]:
    """Make a function a view of the API, under `/api/v1` and its rule.

    The function gets the variable parts of the rule, then `body` (an instance of `takes`, or the
    bytes of a file where that is a media type) and
    `query` (an instance of `query`) where those are named, and returns an instance of `gives`;
    `gives` may also name a schema of the reports (`reports/schema.py`), or be None where the
    answer is a file. `also` are the media types of the files that it may answer with.
    Its docstring is the document's summary (the first line) and description (the rest).
    `problems` are the statuses that it may end in beyond those of every operation.
    """
    about = Operation(
        scope=scope, tag=tag, gives=gives, also=also, takes=takes, query=query,
        problems=problems, largest_body=largest_body,
    )  # fmt: skip

    def register(view: View) -> View:
        @wraps(view)
        def call(**parts: Any) -> Response:
            if query is not None:
                parts["query"] = read_query(query)
            if isinstance(takes, str):
                parts["body"] = read_file(takes, largest_body)
            elif takes is not None:
                parts["body"] = read_body(takes, largest_body)
            return answer(view(**parts))

        setattr(call, OPERATION, about)
        bp.add_url_rule(rule, view.__name__, scoped(scope)(call), methods=[method])
        return view

    return register


def operation_of(view: Callable[..., Any]) -> Operation | None:
    """Return what the document says of a view, if it is one of the API's."""
    return getattr(view, OPERATION, None)
