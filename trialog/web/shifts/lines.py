"""The lines of a shift's logbook as its page lists them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.records.models import Entry, Person, Shift
from trialog.records.words import EntryKind
from trialog.web.logging.words import line_words, undo_words


@dataclass(frozen=True)
class Listed:
    """A line of the logbook in words; `undone` says who took it back and when."""

    sequence: int
    client_id: str
    kind: EntryKind
    at: datetime
    words: str
    text: str
    reason: str
    seen_by: str
    entered_by: str
    entered_at: datetime
    tablet: str
    undone: Entry | None
    undone_by: str


def list_lines(session: Session, shift: Shift, entries: Sequence[Entry]) -> list[Listed]:
    """Return all lines of a shift in order, those that were undone too."""
    names = _names(session)
    by_id = {entry.client_id: entry for entry in entries}
    undoing = {entry.target: entry for entry in entries if entry.kind is EntryKind.UNDO}
    modes = {mode.id: mode.name for mode in shift.cell.modes}
    return [_listed(entry, by_id, undoing.get(entry.client_id), names, modes) for entry in entries]


def standing_closing(lines: Sequence[Listed]) -> Listed | None:
    """Return the line that closes the shift, if one stands."""
    closings = [line for line in lines if line.kind is EntryKind.SHIFT_CLOSED]
    return next((line for line in closings if line.undone is None), None)


def standing_readings(lines: Sequence[Listed]) -> list[Listed]:
    """Return the corrections of counter readings that stand."""
    return [line for line in lines if line.kind is EntryKind.READING and line.undone is None]


def _names(session: Session) -> dict[int | None, str]:
    names: dict[int | None, str] = {
        number: name for number, name in session.execute(select(Person.id, Person.name))
    }
    return {None: "–"} | names


def _listed(
    entry: Entry,
    by_id: dict[str, Entry],
    undone: Entry | None,
    names: dict[int | None, str],
    modes: dict[int, str],
) -> Listed:
    entered_by = names[entry.recorded_by_id] if entry.recorded_by_id else "command line"
    return Listed(
        sequence=entry.sequence,
        client_id=entry.client_id,
        kind=entry.kind,
        at=entry.occurred_at,
        words=_words(entry, by_id.get(entry.target or ""), modes),
        text=entry.text,
        reason=entry.reason,
        seen_by=names[entry.person_id],
        entered_by="" if entry.person_id == entry.recorded_by_id else entered_by,
        entered_at=entry.recorded_at,
        tablet="" if entry.tablet is None else entry.tablet.name,
        undone=undone,
        undone_by="" if undone is None else names[undone.recorded_by_id],
    )


def _words(entry: Entry, target: Entry | None, modes: dict[int, str]) -> str:
    if target is None:
        return line_words(entry)
    if entry.kind is EntryKind.UNDO:
        return undo_words(target)
    about = modes.get(entry.failure_mode_id or 0)
    subject = line_words(target) if about is None else f"{about} on cycle {_number(target)}"
    return f"{line_words(entry)}: {subject}"


def _number(entry: Entry) -> str:
    return "without a number" if entry.cycle_number is None else f"{entry.cycle_number:,}"
