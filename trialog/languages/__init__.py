"""The languages that reports are written in: one catalogue of texts each, and how they are asked.

English stands in the code. Every other language is a file `<code>.po` beside this module, in the
format that translators' tools read; a text that it lacks stays English. Which language is spoken is
a matter of the moment (`speaking`), so that nothing has to be handed through every function.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from decimal import Decimal
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import get_decimal_symbol, get_group_symbol
from babel.support import NullTranslations, Translations
from markupsafe import Markup, escape

from trialog.errors import InvalidValueError

LANGUAGES = {"en": "English", "es": "español"}
"""The languages of reports, each under its own name."""

_spoken: ContextVar[str] = ContextVar("language", default="en")


def current() -> str:
    """Return the code of the language that is spoken now."""
    return _spoken.get()


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Have every text within made in a language.

    Raises `InvalidValueError` for one that there is no catalogue of.
    """
    if language not in LANGUAGES:
        raise InvalidValueError("language", f"be one of {', '.join(LANGUAGES)}", language)
    before = _spoken.set(language)
    try:
        yield
    finally:
        _spoken.reset(before)


def t(text: str, **values: Any) -> str:
    """Say a text in the language spoken, with its `{names}` filled in.

    Whole numbers among the values are grouped as the language does.
    """
    said = _catalogue(current()).ugettext(text)
    return said.format_map(_shown(values)) if values else said


def tn(one: str, many: str, number: int, **values: Any) -> str:
    """Say a text about a `{number}` of things, in the form that the language has for it."""
    said = _catalogue(current()).ungettext(one, many, number)
    return said.format_map(_shown({"number": number, **values}))


def in_markup(text: str, **values: Any) -> Markup:
    """Say a text as `t` does, for a template: values that are no markup are escaped."""
    said = Markup(escape(_catalogue(current()).ugettext(text)))  # noqa: S704 — the text is escaped
    return said.format(**_shown(values)) if values else said


def mark(text: str) -> str:
    """Mark a constant for the catalogue; whoever shows it says it with `t`."""
    return text


def counted(number: int, noun: str) -> str:
    """Say how many of something there are: "1 cycle", "27,297 cycles".

    The catalogue has "{number} cycle" with its plural.
    """
    return tn(f"{{number}} {noun}", f"{{number}} {noun}s", number)


def numeral(value: int | Decimal) -> str:
    """Write a number out, grouped, with all of its digits."""
    return localised(f"{value:,f}" if isinstance(value, Decimal) else f"{value:,}")


def localised(text: str) -> str:
    """Give a number that is written as in English the signs of the language spoken."""
    return text if current() == "en" else text.translate(_signs(current()))


def listed(parts: Sequence[str], last: str = "and") -> str:
    """Join words to a list: "a, b and c". `last`: "and" or "or"."""
    if len(parts) < 2:
        return "".join(parts)
    most, end = ", ".join(parts[:-1]), parts[-1]
    if last == "or":
        said = t("{most} or {last}", most=most, last=end)
    else:
        said = t("{most} and {last}", most=most, last=end)
    return _smoothed(said, end) if current() == "es" else said


def _smoothed(said: str, end: str) -> str:
    """Write Spanish "y" as "e" before the same sound, and "o" as "u"."""
    for word, instead, same in ((" y ", " e ", r"h?i(?![aeo])"), (" o ", " u ", r"h?o")):
        if said.endswith(word + end) and re.match(same, end, re.IGNORECASE):
            return said.removesuffix(word + end) + instead + end
    return said


def _shown(values: dict[str, Any]) -> dict[str, Any]:
    return {name: numeral(value) if type(value) is int else value for name, value in values.items()}


@cache
def _signs(language: str) -> dict[int, str]:
    return str.maketrans({",": get_group_symbol(language), ".": get_decimal_symbol(language)})


@cache
def _catalogue(language: str) -> NullTranslations:
    path = Path(__file__).parent / f"{language}.po"
    if not path.is_file():
        return NullTranslations()
    compiled = BytesIO()
    with path.open("rb") as file:
        write_mo(compiled, read_po(file, locale=language))
    compiled.seek(0)
    return Translations(fp=compiled)
