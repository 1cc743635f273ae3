"""Where the shifts of a cycle log end, found before any of it is read in earnest."""

from __future__ import annotations

from collections.abc import Iterator

from trialog.feeds.tables import RejectedLine, Row, Table
from trialog.records.formulas import unguard
from trialog.records.words import EntryKind

_ANY = "\x00"
"""Stands for all shifts; no label holds this sign."""


class Outline:
    """Which row is a shift's last one."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self._shift = table.header.index("shift")
        self._outcome = table.header.index("outcome")
        self._last: dict[str, int] = {}
        for place, row in enumerate(table.rows()):
            if bound := self._bound_to(row):
                self._last[bound] = place

    def parted(self, least: int) -> Iterator[list[Row | RejectedLine]]:
        """Part the rows, at least so many at a time, so that no shift lies in two parts."""
        part: list[Row | RejectedLine] = []
        reach = self._last.get(_ANY, -1)
        for place, row in enumerate(self._table.rows()):
            part.append(row)
            reach = max(reach, self._last.get(self._bound_to(row), reach))
            if place >= reach and len(part) >= least:
                yield part
                part = []
        if part:
            yield part

    def _bound_to(self, row: Row | RejectedLine) -> str:
        """Return what binds a row to others: its shift; to all before it, where it only undoes."""
        if isinstance(row, RejectedLine):
            return ""
        label = self._cell(row, self._shift)
        if label:
            return label
        undoes = self._cell(row, self._outcome).casefold() == EntryKind.UNDO
        return _ANY if undoes else ""

    def _cell(self, row: Row, place: int) -> str:
        return unguard(row.cells[place]).strip() if place < len(row.cells) else ""
