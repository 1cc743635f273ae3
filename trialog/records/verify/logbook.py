"""Walk the logbook's chain: a changed, removed or reordered line breaks it."""

from __future__ import annotations

from collections.abc import Iterator

from sqlalchemy.orm import Session

from trialog.records.base import Base
from trialog.records.chain import PROTECTED, entry_hash
from trialog.records.models import Cell, Entry
from trialog.records.seals import read_rows
from trialog.records.shiftlog import modes_by_entry
from trialog.records.verify.difference import Difference

COLUMNS = ("id", "previous_hash", "hash", *(name for name in PROTECTED if name != "mode_ids"))


def verify_chain(session: Session, cell: Cell) -> Iterator[Difference]:
    """Compare each line of a cell's logbook with its hash, its number and the line before it."""
    where = f"cell {cell.name!r}, logbook"
    modes = modes_by_entry(session, Entry.cell_id == cell.id)
    table = Base.metadata.tables["entry"]
    lines = read_rows(
        session.connection(), table, COLUMNS, [table.c.cell_id == cell.id], order="sequence"
    )
    expected, previous = 1, ""
    for row in lines:
        facts = row | {"mode_ids": modes.get(row["id"], [])}
        if row["sequence"] == expected - 1:
            yield Difference(where, f"line {row['sequence']} stands twice")
        elif row["sequence"] != expected:
            yield Difference(where, f"line {expected} is missing (next is {row['sequence']})")
        elif row["previous_hash"] != previous:
            yield Difference(where, f"line {row['sequence']} does not follow the line before it")
        if entry_hash(row["previous_hash"], facts) != row["hash"]:
            yield Difference(
                where,
                f"line {row['sequence']} ({row['client_id']}) was changed after it was written",
            )
        expected, previous = row["sequence"] + 1, row["hash"]
    if (expected - 1, previous) != (cell.chain_length, cell.chain_head):
        yield Difference(
            where, f"ends at line {expected - 1}, but {cell.chain_length} lines were written"
        )
