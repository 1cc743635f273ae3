"""Reads a page on which two verdicts stand side by side."""

from __future__ import annotations

import re

ROW = re.compile(r'data-figure="([^"]+)">.*?</th>(.*?)</tr>', re.DOTALL)
CELL = re.compile(r"<td[^>]*>(.*?)</td>", re.DOTALL)


def figures(page):
    """Return the figures of such a page by name, each with the words of both columns."""
    return {
        name: [re.sub(r"(<[^>]+>|\s)+", " ", cell).strip() for cell in CELL.findall(row)]
        for name, row in ROW.findall(page)
    }
