"""Spot checks: what a second person saw, and which of that the log lacks.

**When a seen failure is in the log.** The same shift has a standing failed cycle with at least
one of the same modes whose cycle number lies within 3 of the number that the check carries; or,
where either has no number, any such cycle of the shift that is not matched yet. Each failed cycle
matches once, the nearest first. Two people seldom agree on a cycle's number to the cycle, and a
failed cycle further off is another one.

**Which checks count.** Only those by somebody who did not log the cycles themselves: whoever
misses a failure when logging misses it when checking too. The cycles that a check is about are
those up to its number, give or take 3, or without a number those logged last before it; cycles
of no known place may be among any. Where it is not known who logged or who checked, the check
does not count.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.evidence.gathering import Evidence
from trialog.records.models import Entry, FailureMode, Person, Shift
from trialog.records.queries import undone_ids
from trialog.records.shiftlog import COUNTED, modes_by_entry
from trialog.records.words import EntryKind
from trialog.reliability import InflatedBound, MissRate, inflated_upper_bound, observer_miss_rate

REACH = 3
"""How far the numbers that two people give one cycle may lie apart; our choice, no source."""


@dataclass(frozen=True)
class SpotCheck:
    """A line of a spot check.

    `modes`: what the second person saw fail, on one cycle then. `independent`: whether the check
    counts. `logged_as`: the client id of the failed cycle that the log has for it.
    """

    entry: str
    shift: str
    at: datetime
    person: str | None
    cycles: int
    cycle: int | None
    modes: tuple[str, ...]
    independent: bool
    logged_as: str | None

    @property
    def missed(self) -> bool:
        """Whether the log lacks a failure that this check saw."""
        return self.independent and bool(self.modes) and self.logged_as is None


@dataclass(frozen=True)
class SpotChecks:
    """What the spot checks of some shifts say of how often a failure goes unlogged.

    `watched`: cycles in checks that count; `seen`: failures in them; `missed`: those of them that
    the log lacks; `set_aside`: cycles in checks that do not count.
    """

    checks: tuple[SpotCheck, ...]
    watched: int
    seen: int
    missed: int
    set_aside: int
    miss_rate: MissRate


@dataclass(frozen=True, slots=True)
class _Line:
    """A counted line or a check, as much of it as matching and telling need.

    `number` is that of its last cycle; `modes` are those that were asked for.
    """

    sequence: int
    client_id: str
    kind: EntryKind
    shift: str
    at: datetime
    person_id: int | None
    cycles: int
    number: int | None
    modes: frozenset[int]


def check_shift(session: Session, shift: Shift, *, confidence: float) -> SpotChecks:
    """Compare the spot checks of a shift with its log."""
    return _compare(session, shift.cell_id, [shift.id], None, confidence)


def check_evidence(session: Session, evidence: Evidence) -> SpotChecks:
    """Compare the spot checks of a trial's shifts with the log, for the modes of its subject."""
    trial, shifts = evidence.trial, evidence.shifts
    shift_ids = [int(number) for number in shifts.loc[shifts["cycles"] > 0, "shift_id"]]
    modes = set(evidence.counts.modes["mode_id"].astype(int)) if trial.device_id else None
    return _compare(session, trial.cell_id, shift_ids, modes, trial.requirement.confidence)


def bound_with_misses(evidence: Evidence, checks: SpotChecks) -> InflatedBound:
    """Bound a trial's failure rate as if failures went unlogged as often as the checks allow."""
    return inflated_upper_bound(
        evidence.failures,
        evidence.cycles,
        checks.missed,
        checks.seen,
        confidence=evidence.trial.requirement.confidence,
    )


def _compare(
    session: Session,
    cell_id: int,
    shift_ids: Sequence[int],
    about: Collection[int] | None,
    confidence: float,
) -> SpotChecks:
    names = _Names.of(session, cell_id)
    checks = [
        check
        for lines in _standing_lines(session, cell_id, shift_ids, about)
        for check in _checks_of(lines, names)
    ]
    used = [check for check in checks if check.independent]
    seen = sum(bool(check.modes) for check in used)
    missed = sum(check.missed for check in used)
    return SpotChecks(
        checks=tuple(checks),
        watched=sum(check.cycles for check in used),
        seen=seen,
        missed=missed,
        set_aside=sum(check.cycles for check in checks if not check.independent),
        miss_rate=observer_miss_rate(missed, seen, confidence=confidence),
    )


def _standing_lines(
    session: Session, cell_id: int, shift_ids: Sequence[int], about: Collection[int] | None
) -> Iterator[list[_Line]]:
    """Return the counted lines and checks of each shift that was checked, in the log's order.

    `about`: the failure modes that are asked for; None for all.
    """
    is_check = (Entry.shift_id.in_(shift_ids), Entry.kind == EntryKind.CHECK)
    checked = session.scalars(select(Entry.shift_id).where(*is_check).distinct()).all()
    if not checked:
        return
    # By columns: a trial's shifts hold tens of thousands of lines.
    statement = (
        select(
            Entry.id, Entry.sequence, Entry.client_id, Entry.kind, Shift.label, Entry.occurred_at,
            Entry.person_id, Entry.cycles, Entry.cycle_number,
        )
        .join(Shift, Shift.id == Entry.shift_id)
        .where(Entry.shift_id.in_(checked), Entry.kind.in_((*COUNTED, EntryKind.CHECK)))
        .order_by(Shift.opened_at, Shift.id, Entry.sequence)
    )  # fmt: skip
    modes = modes_by_entry(session, Entry.shift_id.in_(checked))
    undone = undone_ids(session, cell_id)
    by_shift: dict[str, list[_Line]] = defaultdict(list)
    for row in session.execute(statement):
        if row.client_id not in undone:
            asked = {mode for mode in modes.get(row.id, ()) if about is None or mode in about}
            by_shift[row.label].append(
                _Line(
                    row.sequence, row.client_id, row.kind, row.label, row.occurred_at,
                    row.person_id, row.cycles or 0, row.cycle_number, frozenset(asked),
                )
            )  # fmt: skip
    yield from by_shift.values()


@dataclass(frozen=True)
class _Names:
    people: Mapping[int, str]
    modes: Mapping[int, str]

    @classmethod
    def of(cls, session: Session, cell_id: int) -> _Names:
        people = select(Person.id, Person.name)
        modes = select(FailureMode.id, FailureMode.name).where(FailureMode.cell_id == cell_id)
        return cls(
            people={row_id: name for row_id, name in session.execute(people)},
            modes={row_id: name for row_id, name in session.execute(modes)},
        )


def _checks_of(lines: Sequence[_Line], names: _Names) -> list[SpotCheck]:
    """Return the checks of one shift, each with what the log has for it."""
    logged = [line for line in lines if line.kind is not EntryKind.CHECK]
    made = [line for line in lines if line.kind is EntryKind.CHECK]
    used = {line.client_id for line in made if _is_independent(line, logged)}
    matched = _match([line for line in made if line.client_id in used and line.modes], logged)
    return [
        SpotCheck(
            entry=line.client_id,
            shift=line.shift,
            at=line.at,
            person=None if line.person_id is None else names.people[line.person_id],
            cycles=line.cycles,
            cycle=line.number,
            modes=tuple(names.modes[mode] for mode in sorted(line.modes)),
            independent=line.client_id in used,
            logged_as=matched.get(line.client_id),
        )
        for line in made
    ]


def _is_independent(check: _Line, logged: Sequence[_Line]) -> bool:
    counted = [line for line in logged if line.cycles]
    near = [line for line in counted if _may_hold(line, _stretch(check, counted))] or counted
    loggers = {line.person_id for line in near}
    return check.person_id is not None and not loggers & {None, check.person_id}


def _stretch(check: _Line, counted: Iterable[_Line]) -> range:
    """Return the numbers that the cycles of a check may have in the log."""
    before = (line.number or 0 for line in counted if line.sequence < check.sequence)
    last = check.number or max(before, default=0)
    return range(last - check.cycles + 1 - REACH, last + REACH + 1)


def _may_hold(line: _Line, stretch: range) -> bool:
    """Say whether a counted line may hold a cycle of a stretch."""
    if line.number is None:
        return True
    return line.number >= stretch.start and line.number - line.cycles + 1 < stretch.stop


def _match(seen: Sequence[_Line], logged: Sequence[_Line]) -> dict[str, str]:
    """Find in the log what was seen: the ids of failed cycles by those of checks."""
    pairs = [
        (distance, one.sequence, other.sequence, one.client_id, other.client_id)
        for one in seen
        for other in logged
        if one.modes & other.modes and (distance := _distance(one, other)) <= REACH + 1
    ]
    matched: dict[str, str] = {}
    taken: set[str] = set()
    for *_, one_id, other_id in sorted(pairs):
        if one_id not in matched and other_id not in taken:
            matched[one_id] = other_id
            taken.add(other_id)
    return matched


def _distance(one: _Line, other: _Line) -> int:
    """Return how far two cycles' numbers lie apart; where one has none, just beyond reach.

    So those of known numbers are matched first, and farther ones not at all.
    """
    if one.number is None or other.number is None:
        return REACH + 1
    apart = abs(one.number - other.number)
    return apart if apart <= REACH else REACH + 2
