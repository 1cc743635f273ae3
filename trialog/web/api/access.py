"""Which token opens a route, and how often. All that are worth nothing get the same answer."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar, cast

from flask import current_app, g, request
from flask_limiter.util import get_remote_address
from limits import RateLimitItemPerMinute
from sqlalchemy.exc import OperationalError
from werkzeug.exceptions import HTTPException, TooManyRequests

from trialog.errors import NotAllowedError
from trialog.records.clients import note_used, require_scope, token_of, was_used_lately
from trialog.records.database import unit_of_work
from trialog.records.models import Client, ClientToken
from trialog.records.words import Scope
from trialog.web.clock import now
from trialog.web.database import get_session, state
from trialog.web.security import guarded, limiter

BAD_TOKENS_PER_MINUTE = 30
"""For each address; a token cannot be guessed, but each try asks the database."""

UNNAMED = "A valid token is needed: Authorization: Bearer TOKEN. An admin issues one under Clients."
WORTHLESS = "The token is not known, has expired or was revoked. An admin issues a new one."


class Challenge(HTTPException):
    """A refusal that says by which scheme a request lets itself be known (RFC 6750, section 3)."""

    def __init__(self, words: str, **parameters: str) -> None:
        super().__init__(words)
        told = {"realm": "trialog", **parameters}
        self.challenge = "Bearer " + ", ".join(f'{name}="{value}"' for name, value in told.items())

    def get_headers(self, *args: Any, **options: Any) -> list[tuple[str, str]]:
        """Return the headers of the answer."""
        return [*super().get_headers(*args, **options), ("WWW-Authenticate", self.challenge)]


class NoValidToken(Challenge):
    """There is no token, or one that is worth nothing."""

    code = 401


class LacksScope(Challenge):
    """The token is good, but not for this."""

    code = 403


View = TypeVar("View", bound=Callable[..., object])


def scoped(scope: Scope) -> Callable[[View], View]:
    """Mark a view as open to clients whose token has a scope.

    Goes below the route, as `security.allowed` does. No cookie counts there, so no forged
    request needs to be feared.
    """

    def mark(view: View) -> View:
        return guarded(view, scope, partial(_let_in, scope))

    return mark


def current_client() -> Client:
    """Return the client that the request comes from; its route must be `scoped`."""
    return current_token().client


def current_token() -> ClientToken:
    """Return the token that the request carries; its route must be `scoped`."""
    return cast(ClientToken, g.client_token)


def require_cell(cell_id: int) -> None:
    """Refuse a client that is for another cell.

    Raises
    ------
    NotAllowedError
        If it is.
    """
    client = current_client()
    if client.cell_id not in (None, cell_id):
        raise NotAllowedError(f"the client {client.name!r} is for another cell")


def _let_in(scope: Scope) -> None:
    given = request.authorization
    if given is None or given.type != "bearer" or not given.token:
        raise NoValidToken(UNNAMED)
    session, moment = get_session(), now()
    token = token_of(session, given.token, now=moment)
    if token is None:
        _count(BAD_TOKENS_PER_MINUTE, "address", get_remote_address())
        raise NoValidToken(WORTHLESS, error="invalid_token")
    _count(state().settings.api_limit, "token", str(token.id))
    try:
        require_scope(token, scope)
    except NotAllowedError as error:
        raise LacksScope(str(error), error="insufficient_scope", scope=scope.value) from None
    g.client_token, g.client_id = token, token.client_id
    if not was_used_lately(token, now=moment):
        _note_used(token)


def _count(most: int, what: str, whose: str) -> None:
    """Count a request, and refuse it where there were too many within a minute."""
    limit = RateLimitItemPerMinute(most)
    if limiter.enabled and not limiter.limiter.hit(limit, what, whose):
        reset = limiter.limiter.get_window_stats(limit, what, whose).reset_time
        wait = max(1, math.ceil(reset - time.time()))
        raise TooManyRequests(
            f"More than {most} requests within a minute. Try again in {wait} s.", retry_after=wait
        )


def _note_used(token: ClientToken) -> None:
    """Note that a token is used; the request goes on where that cannot be written just now."""
    session, token_id = get_session(), token.id
    try:
        with unit_of_work(session):
            note_used(session, token_id, now=now())
    except OperationalError:
        current_app.logger.warning("could not note that token %s is used", token_id)
