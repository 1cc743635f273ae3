"""Walk the chain of audit events, and compare each sealed row with its newest seal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.base import Base
from trialog.records.chain import AUDITED, event_hash
from trialog.records.models import Entry
from trialog.records.seals import SEALED, read_rows, row_seal, sealed_columns
from trialog.records.verify.difference import Difference
from trialog.records.verify.pointers import spoken

COLUMNS = ("id", *AUDITED, "previous_hash", "hash")
WHERE = "audit"
BEHIND = "behind the application's back"


@dataclass
class _Walk:
    """What the events say, read from the first to the last."""

    length: int = 0
    head: str = ""
    seals: dict[tuple[str, str], tuple[str | None, int]] = field(default_factory=dict)
    """The newest seal of each row, and the event that holds it."""

    written: dict[int, tuple[int, str, int]] = field(default_factory=dict)
    """For each cell the newest line that an event tells of, its hash, and the event."""


def verify_audit(session: Session) -> Iterator[Difference]:
    """Name each event that was changed, removed or moved, and each row that was written past it."""
    walk = _Walk()
    events = Base.metadata.tables["audit_event"]
    for row in read_rows(session.connection(), events, COLUMNS, order="sequence"):
        if row["sequence"] is None:
            yield Difference(WHERE, f"the row {row['id']} of its table is not in the chain")
        else:
            yield from _follow(walk, row)
    yield from _verify_end(session, walk)
    for table in SEALED:
        yield from _verify_rows(session, walk, table)
    yield from _verify_logbooks(session, walk)


def _follow(walk: _Walk, row: dict[str, Any]) -> Iterator[Difference]:
    number = row["sequence"]
    if number != walk.length + 1:
        yield Difference(WHERE, f"event {walk.length + 1} is missing (next is {number})")
    elif row["previous_hash"] != walk.head:
        yield Difference(WHERE, f"event {number} does not follow the event before it")
    if event_hash(row["previous_hash"], row) != row["hash"]:
        yield Difference(
            WHERE,
            f"event {number} ({row['action']} {row['subject']}) was changed after it was written",
        )
    walk.length, walk.head = number, row["hash"]
    yield from _take_seals(walk, row)
    _take_lines(walk, row)


def _take_seals(walk: _Walk, row: dict[str, Any]) -> Iterator[Difference]:
    number = row["sequence"]
    for table, key, before, after in _well_formed(row["sealed"]):
        known, event = walk.seals.get((table, key), (None, 0))
        if known != before:
            was = "added" if known is None else "removed" if before is None else "changed"
            since = f"between events {event} and {number}" if event else f"before event {number}"
            yield Difference(f"{spoken(table)} {key}", f"was {was} {BEHIND} {since}")
        walk.seals[table, key] = (after, number)


def _well_formed(sealed: Any) -> Iterator[list[Any]]:
    """Go through an event's seals; what somebody made of them may be anything."""
    for one in sealed if isinstance(sealed, list) else ():
        if isinstance(one, list) and len(one) == 4 and all(isinstance(x, str) for x in one[:2]):
            yield one


def _take_lines(walk: _Walk, row: dict[str, Any]) -> None:
    """Note the newest line of a logbook that an event tells of, where it tells its hash."""
    details = row["details"]
    if (row["action"], row["subject"]) == ("wrote", "logbook") and isinstance(details, dict):
        first, lines, head = (details.get(name) for name in ("first", "lines", "head"))
        if isinstance(first, int) and isinstance(lines, int) and isinstance(head, str):
            walk.written[row["subject_id"]] = (first + lines - 1, head, row["sequence"])


def _verify_end(session: Session, walk: _Walk) -> Iterator[Difference]:
    ends = list(
        read_rows(
            session.connection(), Base.metadata.tables["audit_chain"], ("id", "length", "head"),
            order="id",
        )
    )  # fmt: skip
    if [end["id"] for end in ends] != [1]:
        yield Difference(WHERE, f"its end stands in one row, but there are {len(ends)}")
    for end in ends:
        if end["length"] != walk.length:
            said = f"ends at event {walk.length}, but {end['length']} events were written"
            yield Difference(WHERE, said)
        elif end["head"] != walk.head:
            yield Difference(WHERE, f"ends at event {walk.length} with another hash than written")


def _verify_rows(session: Session, walk: _Walk, table: str) -> Iterator[Difference]:
    stored = Base.metadata.tables[table]
    (key,) = stored.primary_key
    there = set()
    for row in read_rows(session.connection(), stored, sealed_columns(table), order=key.name):
        own = str(row[key.name])
        there.add(own)
        seal, number = walk.seals.get((table, own), (None, 0))
        if seal is None:
            yield Difference(_named(table, own, row), f"was added {BEHIND}")
        elif row_seal(table, row) != seal:
            said = f"was changed {BEHIND}; event {number} tells of it as it was"
            yield Difference(_named(table, own, row), said)
    for (sealed_table, own), (seal, number) in walk.seals.items():
        if sealed_table == table and seal is not None and own not in there:
            said = f"was removed {BEHIND}; event {number} tells of it"
            yield Difference(f"{spoken(table)} {own}", said)


def _named(table: str, key: str, row: dict[str, Any]) -> str:
    name = row.get("name") or row.get("person_name")
    return f"{spoken(table)} {key}" + (f" {name!r}" if name else "")


def _verify_logbooks(session: Session, walk: _Walk) -> Iterator[Difference]:
    """Look for the last line that the audit tells of: a logbook's end may be cut, head and all."""
    for cell_id, (line, head, number) in sorted(walk.written.items()):
        statement = select(Entry.hash).where(Entry.cell_id == cell_id, Entry.sequence == line)
        if session.scalar(statement) != head:
            yield Difference(
                f"cell {cell_id}, logbook",
                f"line {line} is not the one that event {number} of the audit tells of",
            )
