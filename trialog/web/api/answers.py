"""Answers of the API: JSON with an entity tag, and 304 where whoever asks has it already."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from flask import Response, g, request
from pydantic import BaseModel


@dataclass(frozen=True)
class Plain:
    """Plain data, as reports are made of."""

    data: dict[str, Any]


def answer(told: BaseModel | Plain | Response) -> Response:
    """Make an answer of what a view returned."""
    made = told if isinstance(told, Response) else _as_json(told)
    if request.method in ("GET", "HEAD"):
        _let_be_kept(made, getattr(told, "entity_tag", None))
    return made


def _as_json(told: BaseModel | Plain) -> Response:
    if isinstance(told, Plain):
        text = json.dumps(told.data, ensure_ascii=False, allow_nan=False)
    else:
        text = told.model_dump_json()
    return Response(text, mimetype="application/json")


def _let_be_kept(made: Response, tag: str | None) -> None:
    """Let whoever asks keep the answer, but ask each time whether it still holds."""
    made.headers["Cache-Control"] = "private, no-cache"
    made.headers["Vary"] = "Authorization"
    g.cacheable = True
    if made.is_streamed:
        return
    if tag is not None:
        made.set_etag(tag)
    else:
        made.add_etag()
    made.make_conditional(request)
