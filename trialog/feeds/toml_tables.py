"""Read a TOML file's tables key by key, so that each mistake is named with its place."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from datetime import datetime
from difflib import get_close_matches
from enum import StrEnum
from typing import Any, TypeVar

from trialog.errors import InvalidValueError
from trialog.feeds.values import read_time, read_word

LARGEST_FILE = 1024 * 1024
LARGEST_NUMBER = 10**15

Word = TypeVar("Word", bound=StrEnum)


class TomlTable:
    """One table of a file: its keys are known, and each value is of the type it should be.

    Every reader raises InvalidValueError, naming the table, the key, the rule and the value.
    """

    def __init__(self, where: str, values: Mapping[str, Any], known: Sequence[str]) -> None:
        self.where = where
        self._values = values
        for key in values:
            if key not in known:
                near = get_close_matches(key, known, n=1)
                hint = f" (did you mean {near[0]!r}?)" if near else ""
                rule = f"hold only the keys {', '.join(known)}{hint}"
                raise InvalidValueError(where or "setup file", rule, key)

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def _field(self, key: str) -> str:
        return f"{self.where} {key}".strip()

    def _given(self, key: str) -> Any:
        if key not in self._values:
            raise InvalidValueError(self._field(key), "be given", None)
        return self._values[key]

    def text(self, key: str) -> str:
        """Return a text that must be there."""
        value = self._given(key)
        if not isinstance(value, str):
            raise InvalidValueError(self._field(key), "be a text in quotes", value)
        return value

    def optional_text(self, key: str) -> str | None:
        """Return a text, or None."""
        return self.text(key) if key in self else None

    def number(self, key: str) -> float:
        """Return a number that must be there."""
        value = self._given(key)
        fits = isinstance(value, int | float) and not isinstance(value, bool)
        if not (fits and abs(value) < LARGEST_NUMBER):  # not so for nan, too
            raise InvalidValueError(self._field(key), "be a number", value)
        return float(value)

    def optional_number(self, key: str) -> float | None:
        """Return a number, or None."""
        return self.number(key) if key in self else None

    def whole(self, key: str) -> int:
        """Return a whole number that must be there."""
        value = self._given(key)
        if not isinstance(value, int) or isinstance(value, bool) or abs(value) > LARGEST_NUMBER:
            raise InvalidValueError(self._field(key), "be a whole number", value)
        return value

    def optional_whole(self, key: str) -> int | None:
        """Return a whole number, or None."""
        return self.whole(key) if key in self else None

    def flag(self, key: str) -> bool:
        """Return true or false, which must be there."""
        value = self._given(key)
        if not isinstance(value, bool):
            raise InvalidValueError(self._field(key), "be true or false", value)
        return value

    def word(self, key: str, words: type[Word]) -> Word:
        """Return one of a fixed set of words that must be there."""
        return read_word(self._field(key), self.text(key), words)

    def words(self, key: str, words: type[Word]) -> tuple[Word, ...]:
        """Return a list of a fixed set of words that must be there."""
        values = self._given(key)
        if not isinstance(values, list) or not all(isinstance(value, str) for value in values):
            raise InvalidValueError(self._field(key), "be a list of texts in quotes", values)
        return tuple(read_word(self._field(key), value, words) for value in values)

    def optional_time(self, key: str) -> datetime | None:
        """Return a time with its zone, written as TOML's own or as a text; or None."""
        if key not in self:
            return None
        value = self._values[key]
        text = value.isoformat() if isinstance(value, datetime) else self.text(key)
        return read_time(self._field(key), text)

    def tables(self, key: str, known: Sequence[str]) -> list[TomlTable]:
        """Return the tables of a list of tables, none where there is no such key."""
        values = self._values.get(key, [])
        title = f"[[{key}]]" if not self.where else f"{self.where} [[{key}]]"
        if not isinstance(values, list) or not all(isinstance(value, dict) for value in values):
            raise InvalidValueError(title, "be a list of tables", values)
        return [
            TomlTable(f"{title} {place}", value, known) for place, value in enumerate(values, 1)
        ]

    def table(self, key: str, known: Sequence[str]) -> TomlTable | None:
        """Return a table, or None where there is no such key."""
        if key not in self:
            return None
        value = self._values[key]
        if not isinstance(value, dict):
            raise InvalidValueError(f"[{key}]", "be a table", value)
        return TomlTable(f"[{key}]", value, known)


def read_toml(content: bytes, known: Sequence[str]) -> TomlTable:
    """Read a file's tables.

    Raises
    ------
    InvalidValueError
        If it is too large, no UTF-8 text or no TOML, or holds a table not known.
    """
    if len(content) > LARGEST_FILE:
        raise InvalidValueError(
            "setup file", f"be at most {LARGEST_FILE // 2**20} MiB", f"{len(content)} bytes"
        )
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InvalidValueError("setup file", "be text in UTF-8", content[:20]) from error
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InvalidValueError("setup file", "be valid TOML", str(error)) from error
    return TomlTable("", values, known)
