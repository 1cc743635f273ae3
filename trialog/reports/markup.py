"""The cells of tables as HTML. A report has thousands, too many to call a template for each."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup, escape

from trialog.reports.tables import Cell


def cell_markup(cell: Cell, page: str | None = None) -> Markup:
    """Write one value, with what is said aside below it; `page` is where its words lead to."""
    said = f'<a href="{escape(page)}">{escape(cell.words)}</a>' if page else _exact(cell)
    asides = "".join(
        f'<br><span class="rp-quiet">{_exact(aside)}</span>' for aside in cell.asides
    )  # fmt: skip
    return Markup(said + asides)  # noqa: S704 — every part of it is escaped


def _exact(cell: Cell) -> str:
    """Write rounded words so that they carry the whole number, for whoever wants to check it."""
    if cell.whole is None:
        return str(escape(cell.words))
    return f'<data value="{cell.whole}" title="{cell.whole}">{escape(cell.words)}</data>'


def row_markup(cells: Sequence[Cell], head: int, page: str | None = None) -> Markup:
    """Write the cells of a row; the one at `head` names it, and leads to `page`."""
    parts = []
    for place, cell in enumerate(cells):
        number = ' class="rp-n"' if cell.column.numeric else ""
        if place == head:
            parts.append(f'<th scope="row"{number}>{cell_markup(cell, page)}</th>')
        else:
            parts.append(f"<td{number}>{cell_markup(cell)}</td>")
    return Markup("".join(parts))  # noqa: S704 — every part of it is escaped
