"""The help: Markdown files that read the same on disk and in the app."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

import trialog

FOLDER = Path(trialog.__file__).parent / "docs"
INDEX = "index"
_NAME = re.compile(r"[a-z0-9-]{1,60}")
IMAGES = FOLDER / "images"
_IMAGE_LINK = re.compile(r"images/([a-z0-9-]+\.svg)")
_PAGE_LINK = re.compile(r"(?:\./)?([a-z0-9-]+)\.md(#.*)?")


@dataclass(frozen=True)
class HelpPage:
    """A help page, rendered."""

    name: str
    title: str
    body: Markup


@cache
def help_page(name: str) -> HelpPage | None:
    """Return a help page; None where there is none of that name."""
    path = FOLDER / f"{name}.md"
    if not _NAME.fullmatch(name) or not path.is_file():
        return None
    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = reader.parse(path.read_text(encoding="utf-8"))
    title = _name_headings(tokens) or name
    _point_to_pages(tokens)
    body = reader.renderer.render(tokens, reader.options, {})
    return HelpPage(name, title, Markup(_boxed_tables(body)))  # noqa: S704 - our own files, HTML off


def _name_headings(tokens: Sequence[Token]) -> str:
    """Give each heading an id to link to, and return the first heading's words."""
    title = ""
    for opening, inline in pairwise(tokens):
        if opening.type == "heading_open":
            opening.attrSet("id", anchor(inline.content))
            title = title or inline.content
    return title


def anchor(heading: str) -> str:
    """Return the id of a heading: its words, small, joined by dashes."""
    return re.sub(r"[^\w]+", "-", heading.lower()).strip("-")


def _point_to_pages(tokens: Sequence[Token]) -> None:
    """Turn links between files, and to their pictures, into links between pages."""
    for token in (child for inline in tokens for child in inline.children or ()):
        found = _PAGE_LINK.fullmatch(str(token.attrGet("href") or ""))
        if found:
            page, place = found[1], found[2] or ""
            token.attrSet("href", ("/help" if page == INDEX else f"/help/{page}") + place)
        drawn = _IMAGE_LINK.fullmatch(str(token.attrGet("src") or ""))
        if drawn:
            token.attrSet("src", f"/help/images/{drawn[1]}")


def _boxed_tables(html: str) -> str:
    """Let a wide table scroll in its own box."""
    opening = '<div class="table-box" tabindex="0" role="region" aria-label="Table"><table>'
    return html.replace("<table>", opening).replace("</table>", "</table></div>")
