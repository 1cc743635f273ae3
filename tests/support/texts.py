"""Every text that reports are written in, as it is found in the code and its templates.

Run as a program it brings the catalogues up to date: what is new stands in them untranslated.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path
from typing import get_args

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po
from jinja2 import Environment, nodes

import trialog
from trialog.evidence import CounterState
from trialog.evidence.coverage import CONDITIONS
from trialog.languages import LANGUAGES
from trialog.records import words
from trialog.reliability import Decision
from trialog.reports import failures, rates, sign_offs, spot_checks

CODE = Path(trialog.__file__).parent
OTHERS = [language for language in LANGUAGES if language != "en"]

WORDS = (
    words.Role, words.Stage, words.Effect, words.PlanKind, words.EntryKind, words.Condition,
    words.CounterEvent, words.AcknowledgementKind, words.RulingCause, words.SignDecision,
    CounterState, failures.Ruling, spot_checks.Found, CONDITIONS, get_args(Decision),
    get_args(rates.Level), (sign_offs.STANDS, sign_offs.LAPSED, sign_offs.REVOKED),
    ("as first set up",),
)  # fmt: skip
"""Words that stand in data in English and are translated where they are shown."""

Text = str | tuple[str, str]


class UnreadableTextError(Exception):
    """A text that is put together where it is said: no catalogue can have it."""


def catalogue_path(language: str) -> Path:
    """Return where the texts of a language are."""
    return CODE / "languages" / f"{language}.po"


def read_catalogue(language: str) -> Catalog:
    """Read the texts of a language."""
    with catalogue_path(language).open("rb") as file:
        return read_po(file, locale=language, abort_invalid=True)


@cache
def texts() -> frozenset[Text]:
    """Return all texts that are said, as the catalogues know them."""
    found: set[Text] = {str(word) for group in WORDS for word in group}
    for path in CODE.rglob("*.py"):
        found.update(in_code(path.read_text(encoding="utf-8"), str(path)))
    for path in CODE.rglob("*.html"):
        found.update(in_template(path.read_text(encoding="utf-8"), str(path)))
    return frozenset(found)


def in_code(source: str, name: str) -> Iterator[Text]:
    """Find the texts in a module."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            called = getattr(node.func, "id", getattr(node.func, "attr", ""))
            given = [_constant(argument) for argument in node.args]
            if called in {"t", "mark"} and any(isinstance(one, ast.JoinedStr) for one in node.args):
                raise UnreadableTextError(f"{name}:{node.lineno}: {ast.unparse(node)}")
            yield from _text(called, given)


def _constant(node: ast.expr) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def in_template(source: str, name: str) -> Iterator[Text]:
    """Find the texts in a template."""
    tree = Environment(trim_blocks=True, lstrip_blocks=True, autoescape=True).parse(source, name)
    for node in tree.find_all(nodes.Call):
        called = getattr(node.node, "name", getattr(node.node, "attr", ""))
        given = [
            one.value if isinstance(one, nodes.Const) and isinstance(one.value, str) else None
            for one in node.args
        ]
        if called == "t" and node.args and isinstance(node.args[0], nodes.Concat | nodes.Add):
            raise UnreadableTextError(f"{name}:{node.lineno}")
        yield from _text(called, given)


def _text(called: str, given: list[str | None]) -> Iterator[Text]:
    if called in {"t", "mark"} and given and given[0]:
        yield given[0]
    elif called == "tn" and len(given) > 1 and given[0] and given[1]:
        yield given[0], given[1]
    elif called == "counted" and len(given) > 1 and given[1]:
        yield f"{{number}} {given[1]}", f"{{number}} {given[1]}s"


def update(language: str, found: Iterable[Text]) -> None:
    """Write a language's catalogue anew: what is said now, with the translations that it has."""
    before, now = read_catalogue(language), Catalog(locale=language)
    for text in found:
        key = text if isinstance(text, str) else text[0]
        known = before.get(key)
        empty = "" if isinstance(text, str) else ("",) * now.num_plurals
        fits = known is not None and isinstance(known.string, str) == isinstance(text, str)
        now.add(text, known.string if known is not None and fits else empty)
    with catalogue_path(language).open("wb") as file:
        file.write(HEADER.format(language=language, plurals=now.plural_forms).encode())
        write_po(file, now, width=100, sort_output=True, omit_header=True)


HEADER = """\
msgid ""
msgstr ""
"Language: {language}\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Plural-Forms: {plurals}\\n"

"""

if __name__ == "__main__":
    for one in OTHERS:
        update(one, texts())
