"""Everything that a document says to whoever reads it, hears it or points at its pictures."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from functools import cache
from html.parser import HTMLParser

from sqlalchemy import String, select

from trialog.languages import speaking
from trialog.records.base import Base

SPOKEN = {"aria-label", "alt", "placeholder"}
READ = {"text", "hovertemplate", "hovertext", "ticktext", "customdata", "x", "y"}
"""Keys of a picture's data that somebody reads."""


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self.inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.said += [value for name, value in attrs if name in SPOKEN and value]
        if tag in {"script", "style"}:
            self.inside = "json" if values.get("type") == "application/json" else "code"

    def handle_endtag(self, tag: str) -> None:
        if tag in {"script", "style"}:
            self.inside = ""

    def handle_data(self, data: str) -> None:
        if self.inside == "json":
            self.said += _in_picture(json.loads(data))
        elif not self.inside and data.strip():
            self.said.append(" ".join(data.split()))


def _in_picture(value: object, key: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _in_picture(one, name)
    elif isinstance(value, list):
        for one in value:
            yield from _in_picture(one, key)
    elif isinstance(value, str) and key in READ:
        yield value


def said_in(document):
    """Return every piece of text of a document, its pictures' and its tables' too."""
    page = _Page()
    page.feed(document.html)
    said = [document.title, document.about, document.sentence, *page.said]
    with speaking(document.language):
        for table in document.tables:
            said += [table.caption, *(column.title for column in table.columns)]
            said += [str(value) for row in table.in_words(document.clock) for value in row]
    return said


def written_by_people(session):
    """Return every text in the records, the longest first: it stays as somebody wrote it."""
    written = set()
    for table in Base.metadata.sorted_tables:
        for column in table.columns:
            if type(column.type) is String or type(column.type).__name__ == "Text":
                written.update(session.scalars(select(column).distinct()))
    return sorted((text for text in written if text and len(text) > 2), key=len, reverse=True)


def without(people, said):
    """Take out of a text what people wrote, whole or cut short."""
    whole = _pattern(tuple(people)).sub(" ", said)
    return re.sub(
        r"[^:;()<>]{6,}…",
        lambda cut: " " if any(text.startswith(cut[0][:-1].strip()) for text in people) else cut[0],
        whole,
    )


@cache
def _pattern(people):
    return re.compile(r"(?<!\w)(?:" + "|".join(re.escape(text) for text in people) + r")(?!\w)")
