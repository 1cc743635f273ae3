"""The one write path into the logbook: all of a batch is written, or none."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ARRAY, Select, String, any_, func, literal, select
from sqlalchemy.orm import Session, selectinload

from trialog.errors import ConflictError, TrialogError
from trialog.records.batch import SAME, Batch, admit, only_appends, require_one_open
from trialog.records.entries import NewEntry, storable
from trialog.records.models import Cell, Entry, Person
from trialog.records.rollups import CellLayout
from trialog.records.storing import store

CHUNK = 1000
"""How many lines are looked up at a time."""


@dataclass(frozen=True)
class Rejected:
    """A line that cannot be written, by its place in the batch, and why."""

    index: int
    error: TrialogError


class RejectedEntriesError(TrialogError):
    """Lines of a batch break a rule, so none of it was written."""

    def __init__(self, rejected: Sequence[Rejected]) -> None:
        self.rejected = tuple(rejected)
        super().__init__(f"{len(rejected)} of the lines cannot be written: {rejected[0].error}")


@dataclass(frozen=True)
class Written:
    """What became of a batch: lines added, lines that were there already, lines rejected."""

    added: tuple[str, ...]
    repeated: tuple[str, ...]
    rejected: tuple[Rejected, ...]


@dataclass(frozen=True)
class Part:
    """What is known of lines that are a part of many which one transaction writes.

    `unseen`: none of them is in the logbook yet, so that nothing has to be looked for.
    `meanwhile` may be called while the database is at work, and must not use it.
    """

    unseen: bool = False
    meanwhile: Callable[[], None] | None = None


def write_entries(
    session: Session,
    cell: Cell,
    entries: Sequence[NewEntry],
    *,
    actor: Person | None,
    now: datetime,
    good_only: bool = False,
    part: Part | None = None,
) -> Written:
    """Write lines into a cell's logbook: all of them, or with `good_only` those without fault.

    Of lines that are a `part` of many, more than one shift may be left open; whoever writes the
    last part must call `require_one_open`.

    A line whose client id is there already with the same content changes nothing. The cell's
    row stays locked until the transaction ends, so that two tablets take turns.

    Raises
    ------
    RejectedEntriesError
        If a line breaks a rule and `good_only` is not set. Nothing has been written.
    ConflictError
        If more than one shift of the cell would be left open.
    IntegrityError
        If a line of an unseen part is there all the same.
    """
    session.refresh(cell, with_for_update=True)
    batch = Batch(session, cell, CellLayout.of(session, cell), actor, now, only_appends(entries))
    repeated: list[str] = []
    rejected: list[Rejected] = []
    unseen = part is not None and part.unseen
    for index, entry, known in _with_known(session, entries, unseen=unseen):
        try:
            if known is not None:
                _require_same(entry, known, cell)
                repeated.append(entry.client_id)
            else:
                admit(batch, entry)
        except TrialogError as error:
            rejected.append(Rejected(index, error))
    if rejected and not good_only:
        raise RejectedEntriesError(rejected)
    if batch.fresh:
        if part is None:
            require_one_open(session, cell, batch)
        store(batch, None if part is None else part.meanwhile)
    return Written(tuple(batch.fresh), tuple(repeated), tuple(rejected))


def write_entry(
    session: Session, cell: Cell, entry: NewEntry, *, actor: Person | None, now: datetime
) -> Entry:
    """Write one line and return it; the line that is there already when it is a repeat.

    Raises
    ------
    TrialogError
        Whatever rule the line breaks.
    """
    try:
        write_entries(session, cell, [entry], actor=actor, now=now)
    except RejectedEntriesError as error:
        raise error.rejected[0].error from error
    return session.scalars(select(Entry).where(Entry.client_id == entry.client_id)).one()


def _with_known(
    session: Session, entries: Sequence[NewEntry], *, unseen: bool
) -> Iterator[tuple[int, NewEntry, Entry | None]]:
    """Go through new lines, each with its place and the line that is there under its id.

    Stored lines are read in chunks and let go again: a large file may repeat them all.
    """
    for start in range(0, len(entries), CHUNK):
        chunk = entries[start : start + CHUNK]
        known = {} if unseen else _known_entries(session, [one.client_id for one in chunk])
        for index, entry in enumerate(chunk, start):
            yield index, entry, known.get(entry.client_id)


def _known_entries(session: Session, client_ids: Sequence[str]) -> dict[str, Entry]:
    ids = [one for one in client_ids if storable(one)]
    stored = session.scalars(_STORED[session.get_bind().dialect.name](ids)).all()
    if not stored:
        return {}
    found = session.scalars(
        select(Entry)
        .where(Entry.client_id.in_(stored))
        .options(selectinload(Entry.modes), selectinload(Entry.shift))
    )
    return {entry.client_id: entry for entry in found}


def _stored_on_server(ids: Sequence[str]) -> Select[Any]:
    return select(Entry.client_id).where(Entry.client_id == any_(literal(ids, ARRAY(String))))


def _stored_in_file(ids: Sequence[str]) -> Select[Any]:
    given = func.json_each(json.dumps(ids)).table_valued("value")
    return select(Entry.client_id).where(Entry.client_id.in_(select(given.c.value)))


# One parameter however many ids: naming each of them takes longer than to look it up.
_STORED = {"postgresql": _stored_on_server, "sqlite": _stored_in_file}


def _require_same(entry: NewEntry, known: Entry, cell: Cell) -> None:
    """Tell a repeat from another line under the same id."""
    if entry.counts_by_counter:
        entry = entry._replace(cycles=known.cycles)
    same = (
        known.cell_id == cell.id
        and all(getattr(entry, name) == getattr(known, name) for name in SAME)
        and (entry.shift is None or entry.shift.strip() == (known.shift and known.shift.label))
        and _same_time(entry, known)
        and entry.cycle_number in (None, known.cycle_number)
        and set(entry.mode_ids) == {mode.id for mode in known.modes}
    )
    if not same:
        raise ConflictError(
            f"client_id must be new for a new line, but {entry.client_id!r} already stands for "
            f"a {known.kind} line with other content"
        )


def _same_time(entry: NewEntry, known: Entry) -> bool:
    """Compare a tablet's lines by its own clock: what that is corrected to changes with time."""
    if entry.tablet_id is not None and known.tablet_id is not None:
        return entry.tablet_time == known.tablet_time
    return entry.occurred_at in (None, known.occurred_at)
