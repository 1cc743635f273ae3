"""What a person, or a program, is told when something is refused: one page and one JSON form."""

from __future__ import annotations

from flask import Flask, Response, current_app, jsonify, make_response, render_template, request
from flask_wtf.csrf import CSRFError
from sqlalchemy.exc import IntegrityError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from werkzeug.exceptions import BadHost, HTTPException

from trialog.errors import (
    ConflictError,
    InvalidValueError,
    NotAllowedError,
    PrinterBusyError,
    PrintingError,
    StoppingError,
    TrialogError,
    UnknownNameError,
    shown,
)
from trialog.records.disk import is_full
from trialog.records.logbook import RejectedEntriesError
from trialog.reports.printing import LONGEST_WAIT
from trialog.web import problems
from trialog.web.database import get_session
from trialog.web.observing import NOWHERE, request_id

_STATUS: tuple[tuple[type[TrialogError], int], ...] = (
    (UnknownNameError, 404),
    (InvalidValueError, 422),
    (ConflictError, 409),
    (NotAllowedError, 403),
    (PrinterBusyError, 503),
    (PrintingError, 501),
    (StoppingError, 503),
)

_TITLES = {
    400: "That did not work",
    401: "Please sign in",
    403: "Not allowed",
    404: "There is no such page",
    405: "That did not work",
    409: "That contradicts the records",
    413: "Too large",
    422: "A value needs mending",
    429: "Too many tries",
    500: "Something broke on our side",
    501: "No PDF from this server",
    503: "The database does not answer",
}

_WORDS = {
    404: "The address leads nowhere, or what it showed is no longer there.",
    405: "This address does not take that kind of request.",
    413: "What you sent is larger than 32 MB, so nothing of it was taken. "
    "Split the file and send the parts one by one.",
    429: "Too many tries from this device within a minute. Wait a minute, then try again.",
    409: "Somebody else changed the same thing at the same moment, so nothing of yours was saved. "
    "Go back, look at how it stands now, and try again.",
    500: "Nothing was half-written: what you sent is either in the records or not at all. "
    "Go back and look, then try again. The server's log says what happened.",
    503: "Nothing was half-written: what you sent is either in the records or not at all. "
    "Wait a moment, go back and look, then try again.",
}


_CARRIED_OVER = ("Allow", "Retry-After", "WWW-Authenticate")
"""Headers of an error that its answer must have."""

_OWN_TITLES: tuple[tuple[type[TrialogError], str], ...] = (
    (PrinterBusyError, "One PDF at a time"),
    (StoppingError, "Back in a moment"),
)
_RETRY_AFTER: tuple[tuple[type[TrialogError], int], ...] = (
    (PrinterBusyError, LONGEST_WAIT),
    (StoppingError, 10),
)
"""Seconds after which it is worth another try."""

FULL = (
    "The server's disk is full, so nothing of this was taken, and nothing was half-written. "
    "Whoever looks after the server has to make room; then try again."
)


BAD_HOST = "The address names no host. Open trialog by its name or address, and try again.\n"


def wants_json() -> bool:
    """Say whether the answer goes to a program rather than to a page."""
    if request.path.startswith("/api/") or request.is_json:
        return True
    accepts = request.accept_mimetypes
    return accepts["application/json"] > accepts["text/html"]


def status_of(error: TrialogError) -> int:
    """Return the HTTP status for an error that trialog raised on purpose."""
    return next((status for kind, status in _STATUS if isinstance(error, kind)), 400)


def error_body(
    message: str, field: str | None = None, rule: str | None = None, value: object = None
) -> dict[str, dict[str, str | None]]:
    """Build the one JSON form of an error; what is not known is null."""
    text = None if value is None else value if isinstance(value, str) else shown(value)
    return {"error": {"message": message, "field": field, "rule": rule, "value": text}}


def error_body_of(error: TrialogError) -> dict[str, dict[str, str | None]]:
    """Build the JSON form of an error that trialog raised on purpose."""
    if isinstance(error, InvalidValueError):
        return error_body(str(error), error.field, error.rule, error.value)
    return error_body(str(error))


def error_response(
    status: int, body: dict[str, dict[str, str | None]], *, title: str | None = None
) -> Response:
    """Answer with an error: as problem details, as the house's JSON, or as a page."""
    if problems.are_spoken():
        return problems.respond(problems.problem_of(status, body["error"]))
    if wants_json():
        answer = jsonify(body)
    else:
        title = title or _TITLES.get(status, _TITLES[400])
        page = render_template("error.html", title=title, status=status, **body["error"])
        answer = make_response(page)
    answer.status_code = status
    return answer


def _on_trialog_error(error: TrialogError) -> Response:
    if isinstance(error, RejectedEntriesError):
        error = error.rejected[0].error
    title = next((words for kind, words in _OWN_TITLES if isinstance(error, kind)), None)
    answer = error_response(status_of(error), error_body_of(error), title=title)
    for kind, seconds in _RETRY_AFTER:
        if isinstance(error, kind):
            answer.headers["Retry-After"] = str(seconds)
    return answer


def _on_csrf_error(_error: CSRFError) -> Response:
    words = (
        "This page was open for too long, or was opened under another sign-in, so nothing was "
        "taken. Go back, load the page afresh and try again."
    )
    return error_response(400, error_body(words, "csrf_token", "be the page's own", None))


def _on_http_error(error: HTTPException) -> Response:
    if error.response is not None:
        return make_response(error.response)
    if isinstance(error, BadHost):  # no page can be made that says where its parts are
        return Response(BAD_HOST, 400, mimetype="text/plain")
    status = error.code or 500
    answer = error_response(status, error_body(_words_for(status, error)))
    for name, value in error.get_headers():
        if name in _CARRIED_OVER:
            answer.headers.add(name, value)
    return answer


def _words_for(status: int, error: HTTPException) -> str:
    """Return what to say: the house's words to people, and to programs what they did."""
    own = None if problems.are_spoken() and status in (404, 405, 413, 429) else _WORDS.get(status)
    return own or str(error.description)


def _on_race(_error: IntegrityError) -> Response:
    """Answer who came second: a rule of the database refused what a check had let pass."""
    get_session().rollback()
    return error_response(409, error_body(_WORDS[409]))


def _on_database_down(error: OperationalError) -> Response:
    if is_full(error):
        current_app.logger.error("the disk is full at %s", _where(), exc_info=error)
        return _last_resort(503, title="The disk is full", words=FULL)
    current_app.logger.error("the database failed at %s", _where(), exc_info=error)
    return _last_resort(503)


def _on_no_connection(_error: PoolTimeoutError) -> Response:
    current_app.logger.error("no connection to the database was free at %s", _where())
    return _last_resort(503)


def _on_crash(error: Exception) -> Response:
    current_app.logger.error("unexpected error at %s", _where(), exc_info=error)
    return _last_resort(500)


def _where() -> str:
    """Return where it happened for the log: the route and the request's id, nothing typed."""
    return f"{NOWHERE if request.url_rule is None else request.url_rule.rule} ({request_id()})"


def _last_resort(status: int, *, title: str | None = None, words: str = "") -> Response:
    """Answer although something broke; without the page's frame where that breaks as well."""
    words = words or _WORDS[status]
    try:
        get_session().rollback()
        return error_response(status, error_body(words), title=title)
    except Exception:
        current_app.logger.exception("the page that tells of an error failed as well")
        return Response(words, status, mimetype="text/plain")


def init_app(app: Flask) -> None:
    """Map every error to its answer."""
    app.register_error_handler(TrialogError, _on_trialog_error)
    app.register_error_handler(CSRFError, _on_csrf_error)
    app.register_error_handler(HTTPException, _on_http_error)
    app.register_error_handler(IntegrityError, _on_race)
    app.register_error_handler(OperationalError, _on_database_down)
    app.register_error_handler(PoolTimeoutError, _on_no_connection)
    if not app.testing:
        app.register_error_handler(Exception, _on_crash)
