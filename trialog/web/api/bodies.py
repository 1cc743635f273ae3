"""Read what a request of the API holds: bounded, and of the form that the document says."""

from __future__ import annotations

from typing import Any, TypeVar

from flask import Response, request
from pydantic import BaseModel, ConfigDict, ValidationError
from werkzeug.datastructures import MultiDict
from werkzeug.exceptions import BadRequest, UnsupportedMediaType

from trialog.errors import TrialogError, shown
from trialog.web import problems
from trialog.web.api import bp

LARGEST_BODY = 64 * 1024
"""Bytes of a body, where an operation does not say otherwise."""

M = TypeVar("M", bound=BaseModel)


class Given(BaseModel):
    """What a request holds: nothing is guessed, and an unknown field is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class InvalidFieldsError(TrialogError):
    """Values of a request break rules: each with its field, rule and value."""

    def __init__(self, errors: list[dict[str, Any]]) -> None:
        self.errors = errors
        first = errors[0]
        super().__init__(f"{first['field']} must {first['rule']}, got {first['value']}")


def read_body(model: type[M], most: int) -> M:
    """Return the request's body.

    Raises
    ------
    RequestEntityTooLarge
        If it is larger than `most` bytes.
    UnsupportedMediaType
        If it is not JSON, or compressed: a few bytes could stand for gigabytes.
    BadRequest
        If it is no well-formed JSON.
    InvalidFieldsError
        If values of it break their rules.
    """
    _require_plain()
    if not request.is_json:
        raise _other_media_type("application/json")
    request.max_content_length = most
    try:
        return model.model_validate_json(request.get_data(), strict=True)
    except ValidationError as error:
        if any(one["type"] == "json_invalid" for one in error.errors(include_url=False)):
            raise BadRequest("The body must be well-formed JSON.") from None
        raise InvalidFieldsError(_told(error)) from None


def read_file(media_type: str, most: int) -> bytes:
    """Return the request's body, a file of a media type.

    Raises
    ------
    RequestEntityTooLarge
        If it is larger than `most` bytes.
    UnsupportedMediaType
        If it says that it is something else, or compressed.
    """
    _require_plain()
    if request.mimetype != media_type:
        raise _other_media_type(media_type)
    request.max_content_length = most
    return request.get_data()


def _require_plain() -> None:
    if request.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise UnsupportedMediaType("The body must not be compressed.")


def _other_media_type(wanted: str) -> UnsupportedMediaType:
    return UnsupportedMediaType(f"The body must be {wanted}, got {shown(request.mimetype)}.")


def read_query(model: type[M]) -> M:
    """Return the parameters in the request's address.

    Raises
    ------
    InvalidFieldsError
        If one is unknown, given twice, or breaks its rule.
    """
    given: MultiDict[str, str] = request.args
    twice = [name for name in given if len(given.getlist(name)) > 1]
    if twice:
        raise InvalidFieldsError(
            [
                {"field": name, "rule": "be given once", "value": shown(given.getlist(name))}
                for name in twice
            ]
        )
    try:
        return model.model_validate_strings(given.to_dict())
    except ValidationError as error:
        raise InvalidFieldsError(_told(error)) from None


def _told(error: ValidationError) -> list[dict[str, Any]]:
    """Say in the house's words which values break which rules."""
    return [
        {
            "field": ".".join(str(part) for part in one["loc"]) or "request",
            "rule": _rule(one["msg"]),
            "value": None if one["type"] == "missing" else shown(one["input"]),
        }
        for one in error.errors(include_url=False, include_context=False)
    ]


def _rule(message: str) -> str:
    for before, after in _SAID:
        if message.startswith(before):
            return after + message[len(before) :]
    return message


_SAID = (
    ("Input should ", ""),
    ("Field required", "be given"),
    ("Extra inputs are not permitted", "be left out"),
    ("Unexpected keyword argument", "be left out"),
    ("String should ", ""),
    ("List should ", ""),
    ("Value error, ", ""),
)
"""Beginnings of pydantic's messages, and how the house says the same after "must"."""


@bp.errorhandler(InvalidFieldsError)
def _on_invalid_fields(error: InvalidFieldsError) -> Response:
    """Answer with every value that is at fault, not the first alone."""
    return problems.respond(problems.problem(422, str(error), error.errors))
