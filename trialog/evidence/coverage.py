"""Under which conditions a trial's evidence was gathered, shift by shift, and what is missing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.records.models import Entry, OperatorRollup, Person, Requirement
from trialog.records.words import Condition, EntryKind

SHIFTS = "shifts"
CONDITIONS = (SHIFTS, "operators", "cold starts", "material lots", "tool changes")
"""What a requirement may ask for, as it is said."""


@dataclass(frozen=True)
class Mark:
    """A condition that somebody marked; `text` is what was written beside it, such as the lot."""

    shift_id: int
    condition: Condition
    text: str


@dataclass(frozen=True)
class Worked:
    """Who logged how many of a shift's cycles, and how many of those failed."""

    shift_id: int
    person: str
    logged: int
    failed: int


@dataclass(frozen=True)
class Coverage:
    """The conditions that the shifts of some evidence met. Only shifts with counted cycles."""

    shift_ids: tuple[int, ...]
    marks: tuple[Mark, ...]
    worked: tuple[Worked, ...]

    @property
    def people(self) -> tuple[str, ...]:
        """Who logged cycles, by name."""
        return tuple(sorted({one.person for one in self.worked}))

    def met(self) -> dict[str, int]:
        """Return how often each condition that a requirement may ask for was met.

        A lot that was named twice is one lot; one without a name is another each time.
        """
        marked = Counter(mark.condition for mark in self.marks)
        lots = [mark.text for mark in self.marks if mark.condition is Condition.MATERIAL_LOT]
        return {
            SHIFTS: len(self.shift_ids),
            "operators": len(self.people),
            "cold starts": marked[Condition.COLD_START],
            "material lots": len({lot for lot in lots if lot}) + lots.count(""),
            "tool changes": marked[Condition.TOOL_CHANGE],
        }


@dataclass(frozen=True)
class PlannedShifts:
    """Shifts to come, `first` to `last`, each of which should meet the same conditions."""

    first: int
    last: int
    needs: tuple[str, ...]


def cover(
    session: Session,
    cell_id: int,
    shift_ids: Sequence[int],
    revision_ids: Sequence[int],
    *,
    since: datetime | None,
    undone: Collection[str],
) -> Coverage:
    """Gather what was marked in some shifts since a moment, and who logged there meanwhile.

    `undone`: the lines of the cell that somebody has undone. The shifts are told apart here: asked
    for by shift, a database goes through all of their lines.
    """
    statement = (
        select(Entry.shift_id, Entry.condition, Entry.text, Entry.client_id)
        .where(Entry.cell_id == cell_id, Entry.kind == EntryKind.CONDITION)
        .order_by(Entry.sequence)
    )
    if since is not None:
        statement = statement.where(Entry.occurred_at >= since)
    among = set(shift_ids)
    return Coverage(
        shift_ids=tuple(shift_ids),
        marks=tuple(
            Mark(row.shift_id, row.condition, row.text)
            for row in session.execute(statement)
            if row.shift_id in among and row.client_id not in undone
        ),
        worked=_worked(session, shift_ids, revision_ids),
    )


def _worked(
    session: Session, shift_ids: Sequence[int], revision_ids: Sequence[int]
) -> tuple[Worked, ...]:
    rollup = OperatorRollup
    statement = (
        select(rollup.shift_id, Person.name, func.sum(rollup.logged), func.sum(rollup.failed))
        .join(Person, Person.id == rollup.person_id)
        .where(rollup.shift_id.in_(shift_ids), rollup.revision_id.in_(revision_ids))
        .group_by(rollup.shift_id, Person.id, Person.name)
        .order_by(rollup.shift_id, Person.name)
    )
    return tuple(
        Worked(shift_id, name, int(logged), int(failed))
        for shift_id, name, logged, failed in session.execute(statement)
    )


def asked_of(requirement: Requirement) -> dict[str, int]:
    """Return what a requirement asks for; what it does not ask for is left out."""
    least = {
        SHIFTS: requirement.min_shifts,
        "operators": requirement.min_operators,
        "cold starts": requirement.min_cold_starts,
        "material lots": requirement.min_material_lots,
        "tool changes": requirement.min_tool_changes,
    }
    return {word: number for word, number in least.items() if number}


def missing_of(met: Mapping[str, int], asked: Mapping[str, int]) -> dict[str, int]:
    """Return how much of what is asked for is still missing; what is covered is left out."""
    return {word: least - met[word] for word, least in asked.items() if met[word] < least}


def plan_shifts(missing: Mapping[str, int], shifts_to_go: int | None) -> tuple[PlannedShifts, ...]:
    """Lay what is missing over the shifts to come, one of each a shift, from the first one on.

    A shift may well meet a condition twice; one a shift is what can be planned on.
    `shifts_to_go`: how many the plan needs for its cycles, None where none lead to GO.
    """
    last = max([*missing.values(), shifts_to_go or 0])
    needs = {word: number for word, number in missing.items() if word != SHIFTS}
    planned, first = [], 1
    for end in sorted({number for number in needs.values()} | {last}):
        if end >= first:
            words = tuple(word for word, number in needs.items() if number >= end)
            planned.append(PlannedShifts(first, end, words))
            first = end + 1
    return tuple(planned)
