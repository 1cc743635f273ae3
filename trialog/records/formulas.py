"""Keep text from being taken for a formula when somebody opens an exported file.

A spreadsheet computes what starts with one of a few signs, which would let a note run
commands on the reader's machine. Such a cell gets a leading apostrophe, and an import takes
away exactly the apostrophes that an export sets.
"""

from __future__ import annotations

import re

_RISKY = re.compile(r"\s*[=+\-@＝＋－＠]|[\t\r\n']")
"""What a guarded cell starts with: a formula's signs (after blanks, and full-width ones too),
the control signs that some programs drop, and the apostrophe itself, so that none is lost."""


def guard(text: str) -> str:
    """Return a cell's text so that no spreadsheet takes it for a formula."""
    return f"'{text}" if _RISKY.match(text) else text


def unguard(cell: str) -> str:
    """Return the text that a cell stands for; the inverse of `guard`.

    An apostrophe before anything else ("'til noon") is the writer's own and stays.
    """
    return cell[1:] if cell.startswith("'") and _RISKY.match(cell, 1) else cell
