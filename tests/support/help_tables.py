"""Tables of help pages that are worked out, and put where they stand in the page."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import trialog

DOCS = Path(trialog.__file__).parent / "docs"


def table(head: list[str], rows: Iterable[list[str]], *, words: int = 0) -> str:
    """A Markdown table whose columns are numbers, but for so many columns of words at its left."""
    rule = ["---"] * words + ["---:"] * (len(head) - words)
    return "\n".join("| " + " | ".join(line) + " |" for line in [head, rule, *rows])


def put_tables(page: Path, tables: dict[str, str]) -> None:
    """Put each table in the place of the one that stands under its heading in a page."""
    text = page.read_text(encoding="utf-8")
    for heading, now in tables.items():
        before, after = text.split(f"## {heading}\n", 1)
        lead, old = after.split("\n| ", 1)
        rest = old.split("\n\n", 1)[1:] or [""]
        text = f"{before}## {heading}\n{lead}\n{now}\n" + ("\n" + rest[0] if rest[0] else "")
    page.write_text(text, encoding="utf-8")


def table_under(page: Path, heading: str) -> list[list[str]]:
    """Return the rows of the table under a heading, without its head."""
    section = page.read_text(encoding="utf-8").split(f"## {heading}\n")[1].split("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]
