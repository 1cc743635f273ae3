"""The languages that reports are written in: one catalogue of texts each, and how they are asked.

English stands in the code. Every other language is a file `<code>.po` beside this module, in the
format that translators' tools read; a text that it lacks stays English. Which language is spoken is
a matter of the moment (`speaking`), so that nothing has to be handed through every function.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.support import NullTranslations, Translations

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
    """Say a text in the language spoken, with its `{names}` filled in."""
    return _fill(_catalogue(current()).ugettext(text), values)


def tn(one: str, many: str, number: int, **values: Any) -> str:
    """Say a text about a number of things, in the form that the language has for that number."""
    return _fill(_catalogue(current()).ungettext(one, many, number), values)


def mark(text: str) -> str:
    """Mark a constant for the catalogue; whoever shows it says it with `t`."""
    return text


def _fill(text: str, values: dict[str, Any]) -> str:
    return text.format_map(values) if values else text


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
