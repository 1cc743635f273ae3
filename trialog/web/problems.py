"""Problem details (RFC 9457): the one form in which the API for programs says what went wrong."""

from __future__ import annotations

from collections.abc import Sequence
from http import HTTPStatus
from typing import Any

from flask import Response, current_app, request

ROOT = "/api/v1"
METRICS = "/metrics"
MEDIA_TYPE = "application/problem+json"
EXPLAINED = "/help/api"
"""The help page with a heading for each kind of problem; a problem's type leads there."""

KINDS = {
    400: "Malformed request",
    401: "No valid token",
    403: "Not allowed",
    404: "Not found",
    405: "Method not allowed",
    409: "Conflict",
    412: "Changed meanwhile",
    413: "Too large",
    415: "Unsupported media type",
    422: "Invalid value",
    429: "Too many requests",
    500: "Fault of the server",
    501: "Not available here",
    503: "Unavailable",
}
"""The title of each kind of problem; there is one kind for each status."""


def are_spoken() -> bool:
    """Say whether the request is one of the API that answers in problem details."""
    return request.path in (ROOT, METRICS) or request.path.startswith(f"{ROOT}/")


def title_of(status: int) -> str:
    """Return the title of a status."""
    return KINDS.get(status) or HTTPStatus(status).phrase


def problem(status: int, detail: str, errors: Sequence[dict[str, Any]] = ()) -> dict[str, Any]:
    """Build a problem. `errors`: the values at fault, each with field, rule and value."""
    title = title_of(status)
    kind = f"{EXPLAINED}#{title.lower().replace(' ', '-')}" if status in KINDS else "about:blank"
    told = {"type": kind, "title": title, "status": status, "detail": detail}
    return told | ({"errors": list(errors)} if errors else {})


def problem_of(status: int, error: dict[str, str | None]) -> dict[str, Any]:
    """Build a problem from the parts of the house's form of an error."""
    named = [{name: error[name] for name in ("field", "rule", "value")}] if error["field"] else []
    return problem(status, str(error["message"]), named)


def respond(told: dict[str, Any]) -> Response:
    """Answer with a problem."""
    return Response(current_app.json.dumps(told), told["status"], content_type=MEDIA_TYPE)
