"""From a cell's text to a number, a time or one of the fixed words."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from typing import TypeVar

from trialog.errors import InvalidValueError

MOST_DIGITS = 16
_NUMBER = re.compile(rf"[+-]?[0-9]{{1,{MOST_DIGITS}}}(?:([.,])([0-9]{{1,6}}))?")
_YES_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}

Word = TypeVar("Word", bound=StrEnum)


def read_number(field: str, text: str, *, decimal_comma: bool) -> Decimal:
    """Read a number. A point or comma before three digits could part thousands: refused."""
    match = _NUMBER.fullmatch(text)
    if match is None or (match[1] == "," and not decimal_comma):
        raise InvalidValueError(field, "be a number", text)
    if match[2] is not None and len(match[2]) == 3:
        raise InvalidValueError(
            field, "be written without thousands separators or with other decimals", text
        )
    return Decimal(text.replace(",", "."))


def read_whole(field: str, text: str, *, decimal_comma: bool) -> int:
    """Read a whole number; a spreadsheet's 12.0 is one too."""
    if text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS:
        return int(text)
    number = read_number(field, text, decimal_comma=decimal_comma)
    if number != number.to_integral_value():
        raise InvalidValueError(field, "be a whole number", text)
    return int(number)


def read_seconds(field: str, text: str, *, decimal_comma: bool) -> int:
    """Read a time span in seconds, rounded to the whole seconds that the records keep."""
    number = read_number(field, text, decimal_comma=decimal_comma)
    return int(number.to_integral_value(ROUND_HALF_UP))


def read_time(field: str, text: str) -> datetime:
    """Read an ISO 8601 time with its zone, as UTC."""
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is not None:
            return moment.astimezone(UTC)
    except (ValueError, OverflowError):
        raise InvalidValueError(
            field, "be an ISO 8601 time such as 2026-03-02T06:00:00+01:00", text
        ) from None
    raise InvalidValueError(
        field, "carry a time zone, such as 2026-03-02T06:00:00+01:00 or ...Z", text
    )


def read_word(field: str, text: str, words: type[Word]) -> Word:
    """Read one of a fixed set of words, whatever its case, blanks written as _ or not."""
    wanted = text.strip().casefold().replace("_", " ")
    for word in words:
        if word.value == wanted:
            return word
    raise InvalidValueError(field, f"be one of {', '.join(words)}", text)


def read_yes_no(field: str, text: str) -> bool:
    """Read yes or no."""
    try:
        return _YES_NO[text.casefold()]
    except KeyError:
        raise InvalidValueError(field, "be yes or no", text) from None


def read_ruling(field: str, text: str) -> bool:
    """Read a ruling: True where the failure is relevant."""
    words = {"relevant": True, "non-relevant": False}
    try:
        return words[text.casefold()]
    except KeyError:
        raise InvalidValueError(field, "be relevant or non-relevant", text) from None
