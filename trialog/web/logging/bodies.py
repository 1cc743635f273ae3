"""The bodies of requests: bounded, and JSON that every database can keep."""

from __future__ import annotations

import json
import math
from typing import Any, NoReturn

from flask import request

from trialog.errors import InvalidValueError

DEEPEST = 6
"""Nothing that is sent here needs lists in lists; a line that is kept must be written again."""


def read_bytes(most: int) -> bytes:
    """Return the request's body.

    Raises
    ------
    InvalidValueError
        If it is larger than `most` bytes.
    """
    length = request.content_length
    if length is not None and length > most:
        raise InvalidValueError("request", f"be at most {most // 1024} kB", f"{length} bytes")
    request.max_content_length = most  # holds a body that does not say its length
    return request.get_data()


def read_json(most: int) -> Any:
    """Return the request's body, read as JSON.

    Raises
    ------
    InvalidValueError
        If it is too large, no JSON, or holds numbers that JSON does not have.
    """
    content = read_bytes(most)
    if not request.is_json:
        raise InvalidValueError("request", "be JSON", request.mimetype or "no type")
    try:
        body = json.loads(content, parse_constant=_refuse, parse_float=_finite)
    except (ValueError, RecursionError):  # lists in lists in lists
        body = None
    if body is None or _deeper(body, DEEPEST):
        raise InvalidValueError("request", "be well-formed JSON", content[:60])
    return body


def _refuse(word: str) -> NoReturn:
    raise ValueError(word)


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(text)
    return number


def _deeper(value: Any, levels: int) -> bool:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return bool(inner) and (levels == 0 or any(_deeper(item, levels - 1) for item in inner))
