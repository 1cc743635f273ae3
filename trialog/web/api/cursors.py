"""Where a list goes on: a text that only the server reads."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Sequence
from typing import TypeVar

from pydantic import Field, field_validator

from trialog.errors import InvalidValueError
from trialog.records.base import NAME_LIMIT
from trialog.records.entries import storable
from trialog.web.api.bodies import Given

USUAL, MOST = 100, 1000
"""How many rows a page of a list has."""

LARGEST = 2**63 - 1

T = TypeVar("T")


class ListQuery(Given):
    """Which page of a list is wanted."""

    limit: int = Field(USUAL, ge=1, le=MOST, description="How many at most.")
    cursor: str | None = Field(
        None, max_length=80, description="Where to go on: `next` of the page before."
    )

    def after(self, of: str) -> int | None:
        """Return the key that the page begins after; None at the beginning.

        `of` says which list: a cursor of another one is refused.

        Raises
        ------
        InvalidValueError
            If the cursor is none that an answer has given.
        """
        return None if self.cursor is None else _read(of, self.cursor)


class NamedQuery(ListQuery):
    """Which rows of a list are wanted, by their name."""

    name: str | None = Field(
        None, min_length=1, max_length=NAME_LIMIT, description="The one of this name."
    )

    @field_validator("name")
    @classmethod
    def _known_signs(cls, name: str | None) -> str | None:
        if name is not None and not storable(name):
            raise ValueError("hold whole characters only")
        return name


def page(
    of: str, rows: Sequence[T], limit: int, key: Callable[[T], int]
) -> tuple[Sequence[T], str | None]:
    """Return a page of rows that were read with one more than its limit, and where it goes on."""
    shown = rows[:limit]
    return shown, make_cursor(of, key(shown[-1])) if len(rows) > limit else None


def make_cursor(of: str, key: int) -> str:
    """Return the cursor that goes on after a key of a list."""
    return base64.urlsafe_b64encode(f"{of}:{key}".encode()).decode().rstrip("=")


def _read(of: str, cursor: str) -> int:
    try:
        text = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode()
    except (binascii.Error, ValueError):
        text = ""
    name, _, key = text.rpartition(":")
    known = name == of and key.isascii() and key.isdigit() and len(key) < 20
    if not known or int(key) > LARGEST or make_cursor(of, int(key)) != cursor:
        raise InvalidValueError("cursor", "be one that this list has given as next", cursor)
    return int(key)
