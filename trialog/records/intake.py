"""Take in what a tablet sends: write what can be written, park the rest where it is seen.

A tablet lets go of a line as soon as the server has it, so nothing that it sends may get lost
here: a line that breaks a rule is kept as it came until an engineer writes it in or leaves it
out, with a reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError, TrialogError
from trialog.records.entries import SHA256, NewEntry
from trialog.records.logbook import Rejected, write_entries
from trialog.records.models import Cell, Entry, ParkedLine, Person, Photo, Tablet
from trialog.records.parking import park, parked_among, take_back
from trialog.records.people import Action, role_may
from trialog.records.queries import open_shift
from trialog.records.rights import actions_needed
from trialog.records.words import EntryKind, ParkedOutcome

TABLET_KINDS = frozenset(EntryKind) - {
    EntryKind.RULING,
    EntryKind.READING,
    EntryKind.REVISION,
    EntryKind.COUNT,
}
"""What a tablet may send; the rest is written where it can be thought over."""


@dataclass(frozen=True)
class Incoming:
    """A line as a tablet sent it, and read: as an entry, or with the error that forbids it."""

    client_id: str
    raw: dict[str, Any]
    entry: NewEntry | None
    error: TrialogError | None = None


@dataclass(frozen=True)
class TakenIn:
    """What became of a line: "added", "repeated" or "parked", and why that."""

    client_id: str
    status: str
    sequence: int | None = None
    cycle_number: int | None = None
    reason: TrialogError | str | None = None


def take_in(
    session: Session, cell: Cell, tablet: Tablet, lines: Sequence[Incoming], *, now: datetime
) -> list[TakenIn]:
    """Write a tablet's lines, in its order; each stands alone, and one that cannot is parked.

    A line sent again gives the same answer and changes nothing.
    """
    session.refresh(cell, with_for_update=True)
    intake = _Intake(session, cell, tablet, now)
    for group in _groups(lines):
        intake.take(group)
    session.flush()
    return intake.answers(lines)


def _groups(lines: Sequence[Incoming]) -> Iterator[list[Incoming]]:
    """Part lines so that one write has one person; an opening or an undo may need care."""

    def kind_of_group(line: Incoming) -> tuple[object, object]:
        entry = line.entry
        if entry is None:
            return (None, None)
        alone = entry.kind in (EntryKind.SHIFT_OPENED, EntryKind.UNDO)
        return (entry.person_id, line.client_id if alone else None)

    for _, group in groupby(lines, kind_of_group):
        yield list(group)


class _Intake:
    """A tablet's batch under way."""

    def __init__(self, session: Session, cell: Cell, tablet: Tablet, now: datetime) -> None:
        self.session, self.cell, self.tablet, self.now = session, cell, tablet, now
        self.settled: dict[str, TakenIn] = {}
        self.people: dict[int, Person | None] = {}
        self.last_time: datetime | None = None
        self.heard: dict[int, datetime | None] = {}

    def take(self, group: Sequence[Incoming]) -> None:
        """Write, park or recognise the lines of one group."""
        parked = parked_among(self.session, self._ids(group))
        fresh = [line for line in group if not self._is_known(line, parked)]
        entries = [line.entry for line in fresh if line.entry is not None]
        needed = actions_needed(self.session, self.cell, entries)
        for line in fresh:
            error = self._refusal(line, needed.get(line.client_id))
            if error is not None:
                self._park(line, error)
        rest = [line for line in fresh if line.client_id not in self.settled]
        if rest:
            self._write(rest)

    def _ids(self, group: Sequence[Incoming]) -> list[str]:
        targets = [line.entry.target for line in group if line.entry and line.entry.target]
        return [line.client_id for line in group] + targets

    def _is_known(self, line: Incoming, parked: dict[str, ParkedLine]) -> bool:
        """Recognise a line that was parked before, and an undo that takes a parked one back."""
        before = parked.get(line.client_id)
        if before is not None:
            written = before.outcome is ParkedOutcome.WRITTEN
            reason = None if written else before.why
            self._settle(line, "repeated" if written else "parked", reason)
            return True
        entry = line.entry
        target = parked.get((entry and entry.target) or "")
        if entry is None or target is None or entry.kind is not EntryKind.UNDO:
            return False
        if target.outcome is ParkedOutcome.WRITTEN or target.cell_id != self.cell.id:
            return False
        if self._refusal(line, Action.LOG) is not None:
            return False
        added = take_back(self.session, target, actor=self._person(entry), now=self.now)
        self._settle(line, "added" if added else "repeated")
        return True

    def _refusal(self, line: Incoming, needed: Action | None) -> TrialogError | None:
        """Return why a line cannot be written, as far as that shows without its shift."""
        entry = line.entry
        if entry is None:
            return line.error
        if entry.kind not in TABLET_KINDS:
            return NotAllowedError(f"a tablet may not write a {entry.kind} line")
        person = self._person(entry)
        if person is None:
            return InvalidValueError("person", "be a known person", entry.person_id)
        if needed is None:
            return None  # it is written already
        if not self._has_its_photo(entry):
            return InvalidValueError("photo", "have arrived before its line", entry.photo)
        return self._forbidden(person, needed)

    @staticmethod
    def _forbidden(person: Person, needed: Action) -> TrialogError | None:
        if not role_may(person, needed):
            return NotAllowedError(f"{person.name} ({person.role}) may not {needed}")
        if needed is not Action.LOG:
            # A line names who was signed in; the tablet's key does not prove that it was so.
            return NotAllowedError(
                f"a tablet may not {needed}; an engineer signed in to trialog may"
            )
        return None

    def _has_its_photo(self, entry: NewEntry) -> bool:
        if entry.kind is not EntryKind.PHOTO or not SHA256.fullmatch(entry.photo or ""):
            return True  # the form of a hash is checked with the line's
        found = select(Photo.sha256).where(Photo.sha256 == entry.photo)
        return self.session.scalar(found) is not None

    def _person(self, entry: NewEntry) -> Person | None:
        number = entry.person_id
        if number is None:
            return None
        if number not in self.people:
            self.people[number] = self.session.get(Person, number)
        return self.people[number]

    def _write(self, lines: Sequence[Incoming]) -> None:
        if self._joins(lines[0]):
            return
        entries = [self._timed(line.entry) for line in lines if line.entry is not None]
        actor = self._person(entries[0])
        # The server's own clock may have been set back since it stamped the lines before: then
        # theirs is the latest time that is known, and no reason to keep what comes after out.
        now = max([self.now, *(entry.occurred_at for entry in entries if entry.occurred_at)])
        try:
            with self.session.begin_nested():
                written = write_entries(
                    self.session, self.cell, entries, actor=actor, now=now, good_only=True
                )
        except ConflictError as error:  # another shift is open; an opening comes alone
            for line in lines:
                self._park(line, error)
            return
        self._heed(lines, written.rejected)
        for status in ("added", "repeated"):
            for client_id in getattr(written, status):
                self.settled[client_id] = TakenIn(client_id, status)

    def _heed(self, lines: Sequence[Incoming], rejected: Sequence[Rejected]) -> None:
        for one in rejected:
            self._park(lines[one.index], one.error)

    def _joins(self, line: Incoming) -> bool:
        """Let a second tablet join the shift that a first one opened under the same label."""
        entry = line.entry
        if entry is None or entry.kind is not EntryKind.SHIFT_OPENED:
            return False
        shift = open_shift(self.session, self.cell)
        if shift is None or shift.label != (entry.shift or "").strip():
            return False
        statement = select(Entry.client_id).where(
            Entry.shift_id == shift.id, Entry.kind == EntryKind.SHIFT_OPENED
        )
        if self.session.scalar(statement) == entry.client_id:
            return False
        if (shift.stage, shift.opening_counter) == (entry.stage, entry.counter):
            self._settle(line, "repeated")
            return True
        self._park(
            line,
            ConflictError(
                f"shift {shift.label!r} was opened before, {shift.stage}, with counter reading "
                f"{shift.opening_counter}; this opening says {entry.stage} and {entry.counter}"
            ),
        )
        return True

    def _timed(self, entry: NewEntry) -> NewEntry:
        """Hold a time that a tablet's clock gave between what came before and the server's now.

        Before came the tablet's last line, and whatever it had heard of at the tap: by a clock
        that was set back, a failure would count for the revision before its own.
        """
        moment = min(entry.occurred_at or self.now, self.now)
        before = (self.last_time or self._last_stored_time(), self._heard_at(entry.seen))
        self.last_time = max([moment, *(time for time in before if time is not None)])
        return entry._replace(occurred_at=self.last_time)

    def _heard_at(self, seen: int | None) -> datetime | None:
        """Return when the last line was written that a tablet knew of at a tap."""
        if not seen or seen > self.cell.chain_length:
            return None
        if seen not in self.heard:
            statement = select(Entry.recorded_at).where(
                Entry.cell_id == self.cell.id, Entry.sequence == seen
            )
            written = self.session.scalar(statement)
            self.heard[seen] = None if written is None else min(written, self.now)
        return self.heard[seen]

    def _last_stored_time(self) -> datetime | None:
        statement = (
            select(Entry.occurred_at)
            .where(Entry.cell_id == self.cell.id, Entry.tablet_id == self.tablet.id)
            .order_by(Entry.sequence.desc())
        )
        return self.session.scalar(statement.limit(1))

    def _park(self, line: Incoming, error: TrialogError | None) -> None:
        person = None if line.entry is None else self._person(line.entry)
        why = str(error)
        park(
            self.session, self.cell, self.tablet, person,
            client_id=line.client_id, line=line.raw, why=why, now=self.now,
        )  # fmt: skip
        self._settle(line, "parked", error)

    def _settle(
        self, line: Incoming, status: str, reason: TrialogError | str | None = None
    ) -> None:
        self.settled[line.client_id] = TakenIn(line.client_id, status, reason=reason)

    def answers(self, lines: Sequence[Incoming]) -> list[TakenIn]:
        """Return what became of each line, with its place in the logbook where it has one."""
        ids = [line.client_id for line in lines]
        statement = select(Entry.client_id, Entry.sequence, Entry.cycle_number)
        found = self.session.execute(statement.where(Entry.client_id.in_(ids)))
        places = {client_id: (sequence, number) for client_id, sequence, number in found}
        return [self._answer(self.settled[one], places.get(one)) for one in ids]

    def _answer(self, taken: TakenIn, place: tuple[int, int | None] | None) -> TakenIn:
        if place is None or taken.status == "parked":
            return taken
        return replace(taken, sequence=place[0], cycle_number=place[1])
