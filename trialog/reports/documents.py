"""Reports as documents: one file of HTML each, which needs nothing else to be read or printed.

A document is made in two steps, so that it can be kept without half a million lines of chart
library: `frame` writes it with two empty places, and `complete` fills them.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import plotly
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from trialog.errors import cut
from trialog.languages import current, in_markup, t
from trialog.reports import words
from trialog.reports.csv_form import csv_uri
from trialog.reports.figures import Chart
from trialog.reports.markup import cell_markup, row_markup
from trialog.reports.photos import MOST_IN_DOCUMENT

HERE = Path(__file__).parent
TEMPLATES = HERE / "templates"
ASSETS = HERE / "assets"

POLICY_PLACE, SCRIPTS_PLACE = "<!--policy-->", "<!--scripts-->"
"""Where a document's policy and scripts go. Nobody's text can hold them: it is escaped."""

LONGEST = 120
"""Characters of a text at the top of a printed page: they take three lines, and four would fit."""

_UNSAFE = frozenset('"\\<>\n\r\f\0')


def frame(template: str, context: Mapping[str, Any]) -> str:
    """Write a document in the language spoken, but for its policy and its scripts.

    One without anything to draw has no place for scripts.
    """
    return (
        environment()
        .get_template(template)
        .render(
            **context,
            styles=(asset("report.css"), asset("document.css")),
            margins=_margins(context),
            policy_place=POLICY_PLACE,
            scripts_place=SCRIPTS_PLACE if _draws(context["charts"]) else "",
            most_photos=MOST_IN_DOCUMENT,
        )
    )


def _margins(context: Mapping[str, Any]) -> str:
    """Return the style of what stands in the margins of each printed page, as its content."""
    report = context["report"]
    moment = words.moment(report.produced_at, report.clock)
    boxes = {
        "top-left": _quoted(cut(context["title"], LONGEST)),
        "top-right": _quoted(cut(report.cell.name if hasattr(report, "cell") else "", LONGEST)),
        "bottom-left": _quoted(
            f"trialog · {t('as of {moment} ({zone})', moment=moment, zone=report.zone)}"
        ),
        # The browser counts; what is between the two numbers is the catalogue's.
        "bottom-right": '"{}"'.format(
            t(
                "Page {page} of {pages}",
                page='" counter(page) "',
                pages='" counter(pages) "',
            )
        ),
    }
    inside = " ".join(f"@{box} {{ content: {content}; }}" for box, content in boxes.items())
    return f"@page {{ {inside} }}"


def _draws(charts: Mapping[str, Chart]) -> bool:
    return any(not chart.is_empty for chart in charts.values())


def _quoted(text: str) -> str:
    """Return a text as a string of CSS that also ends no style element."""
    return '"' + "".join(f"\\{ord(sign):x} " if sign in _UNSAFE else sign for sign in text) + '"'


def complete(framed: str, *, paper: str = "") -> str:
    """Return a document that can be opened: with what draws its charts, and kept from the network.

    `paper` is the size of page that it is for, as a style sheet says it; without, it is for a
    screen, and for whatever paper somebody prints it on.
    """
    scripts = _scripts() if SCRIPTS_PLACE in framed else ()
    head = ""
    if paper:
        head = f"<style>@page {{ size: {paper}; }}</style>\n"
        framed = framed.replace("<html ", '<html class="on-paper" ', 1)
    framed = framed.replace(POLICY_PLACE, f"{_policy(scripts)}\n{head}", 1)
    written = "\n".join(f"<script>{script}</script>" for script in scripts)
    return framed.replace(SCRIPTS_PLACE, written, 1)


def _policy(scripts: tuple[str, ...]) -> str:
    """Return the rules of a document: it may run its own scripts and ask for nothing at all.

    Each script is named by its hash, so that no other runs. The chart library sets styles on
    elements, which no hash can name.
    """
    hashes = " ".join(f"'sha256-{_hash(script)}'" for script in scripts) or "'none'"
    rules = (
        "default-src 'none'; base-uri 'none'; form-action 'none'; "
        f"script-src {hashes}; style-src 'unsafe-inline'; img-src data: blob:"
    )
    return f'<meta http-equiv="Content-Security-Policy" content="{rules}">'


@cache
def _hash(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _scripts() -> tuple[str, ...]:
    return _chart_library(), asset("charts.js")


@cache
def asset(name: str) -> str:
    """Return the text of one of the reports' own style sheets or scripts."""
    return (ASSETS / name).read_text(encoding="utf-8")


@cache
def _chart_library() -> str:
    """Return the chart library; nothing in it may end the script element it is put into."""
    path = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
    return path.read_text(encoding="utf-8").replace("</script", "<\\/script")


@cache
def environment() -> Environment:
    """Return the template environment of documents: everything escaped, no name left empty."""
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(
        t=in_markup,
        language=current,
        w=words,
        csv_uri=csv_uri,
        cell_markup=cell_markup,
        row_markup=row_markup,
    )
    return made
