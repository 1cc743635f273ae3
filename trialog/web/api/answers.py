"""Answers of the API: JSON with an entity tag, and 304 where whoever asks has it already."""

from __future__ import annotations

from flask import Response, g, request
from pydantic import BaseModel


def answer(told: BaseModel | Response) -> Response:
    """Make an answer of what a view returned."""
    if isinstance(told, Response):
        return told
    made = Response(told.model_dump_json(), mimetype="application/json")
    if request.method in ("GET", "HEAD"):
        made.add_etag(weak=False)
        made.headers["Cache-Control"] = "private, no-cache"  # kept, but asked for each time
        made.headers["Vary"] = "Authorization"
        g.cacheable = True
        made.make_conditional(request)
    return made
