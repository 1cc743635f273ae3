"""Requests to a server: with the token, again where that is safe, and problems as errors."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

import httpx

from trialog.client.problems import UnreachableError, error_of

TRIES = 5
FIRST_WAIT, LONGEST_WAIT = 0.5, 60.0
"""Seconds between tries: twice as long each time, unless the server says how long."""

TIMEOUT = httpx.Timeout(60.0, connect=10.0)
"""Seconds; a report on a long log takes some."""

LATER = frozenset({429, 502, 503, 504})
"""Statuses after which the same request may succeed."""


class Transport:
    """Sends requests. `sleep` waits between tries; tests give another one."""

    def __init__(
        self,
        server: str,
        token: str,
        *,
        verify: Any = True,
        transport: httpx.BaseTransport | None = None,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._server, self._sleep = server, sleep
        self._http = httpx.Client(
            base_url=f"{server.rstrip('/')}/api/v1",
            headers={"Authorization": f"Bearer {token}", "User-Agent": "trialog-client"},
            timeout=TIMEOUT,
            verify=verify,
            transport=transport,
        )

    def close(self) -> None:
        """Let go of the connections."""
        self._http.close()

    def send(
        self,
        method: str,
        path: str,
        *,
        query: Mapping[str, Any] | None = None,
        json: Any = None,
        content: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        patience: float | None = None,
        safe_to_repeat: bool = True,
    ) -> httpx.Response:
        """Send a request, again where it may help and can do no harm.

        `patience`: seconds to wait for an answer that takes longer than usual.

        Raises
        ------
        ApiError
            If the server refuses.
        UnreachableError
            If nobody answers.
        """
        params = {name: value for name, value in (query or {}).items() if value is not None}
        request = self._http.build_request(
            method, path, params=params, json=json, content=content, headers=headers,
            timeout=TIMEOUT if patience is None else httpx.Timeout(patience, connect=10.0),
        )  # fmt: skip
        for left in reversed(range(TRIES if safe_to_repeat else 1)):
            try:
                answer = self._http.send(request)
            except httpx.TransportError as error:
                if left == 0:
                    raise UnreachableError(self._server, error) from error
                self._sleep(_backoff(left))
                continue
            if answer.status_code not in LATER or left == 0:
                break
            self._sleep(_wait(answer, left))
        _check(answer)
        return answer

    @contextmanager
    def stream(self, path: str) -> Iterator[Iterator[bytes]]:
        """Read an answer piece by piece, however long it is.

        Raises
        ------
        ApiError
            If the server refuses.
        UnreachableError
            If nobody answers, or the answer breaks off.
        """
        try:
            with self._http.stream("GET", path) as answer:
                if answer.status_code != 200:
                    answer.read()
                _check(answer)
                yield answer.iter_bytes()
        except httpx.TransportError as error:
            raise UnreachableError(self._server, error) from error


def _check(answer: httpx.Response) -> None:
    if answer.is_success:
        return
    try:
        told = answer.json()
    except ValueError:
        told = None
    raise error_of(told, answer.status_code)


def _wait(answer: httpx.Response, left: int) -> float:
    """Return how long to wait: what the server says (RFC 9110, 10.2.3), else the backoff."""
    given = answer.headers.get("Retry-After", "")
    if given.isascii() and given.isdigit():
        return min(float(given), LONGEST_WAIT)
    try:
        until = parsedate_to_datetime(given)
        return min(max((until - datetime.now(UTC)).total_seconds(), 0.0), LONGEST_WAIT)
    except (TypeError, ValueError):
        return _backoff(left)


def _backoff(left: int) -> float:
    """Return a wait that doubles with each try, spread so that not all come back at once."""
    longest: float = FIRST_WAIT * 2 ** (TRIES - 1 - left)
    return longest * random.uniform(0.5, 1.0)  # noqa: S311 - nothing secret
