"""Take in what a client sends: each line for itself, all that can be written in one transaction."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any, Literal

from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError, TrialogError
from trialog.records.audit import record_event
from trialog.records.entries import NewEntry
from trialog.records.logbook import write_entries
from trialog.records.models import Cell, ClientToken, Person
from trialog.records.pages import places_of
from trialog.records.people import require
from trialog.records.rights import actions_needed
from trialog.records.words import EntryKind

MAY_OPEN = (EntryKind.SHIFT_OPENED, EntryKind.UNDO)
Status = Literal["added", "repeated", "rejected"]
ADDED: Status = "added"
REPEATED: Status = "repeated"
REJECTED: Status = "rejected"


@dataclass(frozen=True)
class Sent:
    """What became of a line; `sequence` is its place in the cell's logbook."""

    client_id: str
    status: Status
    sequence: int | None = None
    cycle_number: int | None = None
    error: TrialogError | None = None


def take_lines(
    session: Session,
    cell: Cell,
    lines: Sequence[NewEntry],
    *,
    token: ClientToken,
    now: datetime,
) -> list[Sent]:
    """Write a client's lines, and say of each what became of it, in their order.

    Lines are entered by whoever answers for the client; they may do what that person may. A line
    sent again changes nothing. Of an id that stands twice, the first line counts.
    """
    session.refresh(cell, with_for_update=True)
    taking = _Taking(session, cell, token.client.responsible, now)
    first = cell.chain_length + 1
    taking.take(lines)
    if taking.added:
        record_event(
            session, "sent", "logbook", cell.id,
            actor=token.client.responsible, now=now, client=token.client.name, token=token.hint,
            first=first, last=cell.chain_length,
        )  # fmt: skip
    return taking.answers(lines)


class _Taking:
    """A client's batch under way."""

    def __init__(self, session: Session, cell: Cell, actor: Person, now: datetime) -> None:
        self.session, self.cell, self.actor, self.now = session, cell, actor, now
        self.errors: dict[int, TrialogError] = {}
        self.added: set[str] = set()

    def take(self, lines: Sequence[NewEntry]) -> None:
        """Write what can be written."""
        self._refuse_doubles(lines)
        self._refuse_what_is_not_theirs(lines)
        rest = [(place, line) for place, line in enumerate(lines) if place not in self.errors]
        if not self._write(rest):
            # Somewhere another shift would stay open. The lines up to there can be written.
            for part in _parted(rest):
                self._write(part, alone=True)

    def _refuse_doubles(self, lines: Sequence[NewEntry]) -> None:
        seen: set[str] = set()
        for place, line in enumerate(lines):
            if line.client_id in seen:
                self.errors[place] = InvalidValueError(
                    "client_id", "stand once in a request", line.client_id
                )
            seen.add(line.client_id)

    def _refuse_what_is_not_theirs(self, lines: Sequence[NewEntry]) -> None:
        needed = actions_needed(self.session, self.cell, lines)
        for place, line in enumerate(lines):
            if place not in self.errors and line.client_id in needed:
                try:
                    require(self.actor, needed[line.client_id])
                except NotAllowedError as error:
                    self.errors[place] = error

    def _write(self, lines: Sequence[tuple[int, NewEntry]], *, alone: bool = False) -> bool:
        """Write lines; False where nothing was, since another shift would stay open."""
        entries = [line for _, line in lines]
        if not entries:
            return True
        try:
            with self.session.begin_nested():
                written = write_entries(
                    self.session, self.cell, entries, actor=self.actor, now=self.now, good_only=True
                )
        except ConflictError as error:
            if alone:  # the line that begins the part would leave another shift open
                self.errors[lines[0][0]] = error
                self._write(lines[1:], alone=True)
            return False
        self.errors |= {lines[one.index][0]: one.error for one in written.rejected}
        self.added |= set(written.added)
        return True

    def answers(self, lines: Sequence[NewEntry]) -> list[Sent]:
        """Say what became of each line."""
        ids = [line.client_id for at, line in enumerate(lines) if at not in self.errors]
        places = places_of(self.session, self.cell.id, ids)
        return [self._answer(at, line, places) for at, line in enumerate(lines)]

    def _answer(self, at: int, line: NewEntry, places: dict[str, Any]) -> Sent:
        if at in self.errors:
            return Sent(line.client_id, REJECTED, error=self.errors[at])
        status = ADDED if line.client_id in self.added else REPEATED
        place = places[line.client_id]
        return Sent(line.client_id, status, place.sequence, place.cycle_number)


def _parted(lines: Sequence[tuple[int, NewEntry]]) -> Iterator[Sequence[tuple[int, NewEntry]]]:
    """Part lines before each that may leave a shift open: an opening, or an undone close."""
    starts = [at for at, (_, line) in enumerate(lines) if line.kind in MAY_OPEN]
    for start, end in pairwise(sorted({0, *starts, len(lines)})):
        yield lines[start:end]
