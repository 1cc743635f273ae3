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
        self._labels: dict[str, str] = {}
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
        written = row.cells[self._shift] if self._shift < len(row.cells) else ""
        label = self._labels.get(written)
        if label is None:
            label = self._labels[written] = unguard(written).strip()
        if label:
            return label
        outcome = row.cells[self._outcome] if self._outcome < len(row.cells) else ""
        return _ANY if outcome.strip().casefold() == EntryKind.UNDO else ""
