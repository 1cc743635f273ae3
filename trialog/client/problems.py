"""What a server refused, and why: an error class for each kind of problem."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from trialog.errors import TrialogError, shown


@dataclass(frozen=True)
class WrongValue:
    """A value that breaks a rule."""

    field: str | None
    rule: str | None
    value: str | None


@dataclass(frozen=True)
class Problem:
    """A problem document (RFC 9457)."""

    type: str
    title: str
    status: int
    detail: str
    errors: tuple[WrongValue, ...] = ()

    @classmethod
    def of(cls, told: Any, status: int) -> Problem:
        """Read a problem; what is none, such as a proxy's page, becomes one that says little."""
        if not isinstance(told, Mapping) or "title" not in told:
            return cls("about:blank", f"HTTP {status}", status, "The answer is not trialog's.")
        wrong = told.get("errors") or ()
        return cls(
            type=str(told.get("type", "about:blank")),
            title=str(told["title"]),
            status=status,
            detail=str(told.get("detail", told["title"])),
            errors=tuple(
                WrongValue(one.get("field"), one.get("rule"), one.get("value")) for one in wrong
            ),
        )


class ApiError(TrialogError):
    """A server refused a request; `problem` says why."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(f"the server said: {problem.detail} ({problem.status}, {problem.title})")


class TokenError(ApiError):
    """401: the token is not known, has expired or was revoked."""


class RefusedError(ApiError):
    """403: the token, or who answers for the client, may not do this."""


class NotFoundError(ApiError):
    """404: there is no such thing."""


class RecordsConflictError(ApiError):
    """409: it contradicts what the records hold."""


class ChangedMeanwhileError(ApiError):
    """412: somebody else wrote meanwhile; nothing was written."""


class InvalidRequestError(ApiError):
    """400, 413, 415 or 422: what was sent breaks a rule; `problem.errors` says which."""


class TooManyRequestsError(ApiError):
    """429: too many requests within a minute."""


class ServerError(ApiError):
    """5xx: the server cannot answer just now, or has a fault."""


class UnreachableError(TrialogError):
    """Nobody answers at the server's address."""

    def __init__(self, url: str, cause: Exception) -> None:
        self.url = url
        why = str(cause) or type(cause).__name__
        super().__init__(f"server must be one that answers ({why}), got {shown(url)}")


_OF_STATUS: dict[int, type[ApiError]] = {
    400: InvalidRequestError,
    401: TokenError,
    403: RefusedError,
    404: NotFoundError,
    409: RecordsConflictError,
    412: ChangedMeanwhileError,
    413: InvalidRequestError,
    415: InvalidRequestError,
    422: InvalidRequestError,
    429: TooManyRequestsError,
}


def error_of(told: Any, status: int) -> ApiError:
    """Return the error that an answer stands for."""
    kind = _OF_STATUS.get(status, ServerError if status >= 500 else ApiError)
    return kind(Problem.of(told, status))
