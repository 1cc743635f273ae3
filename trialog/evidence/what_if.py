"""What the verdict would be if: asked of the records themselves, and taken back again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import count

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.errors import InvalidValueError
from trialog.evidence.verdict import Verdict, judge
from trialog.records.entries import MOST_CYCLES_AT_ONCE, NewEntry
from trialog.records.logbook import RejectedEntriesError, write_entries
from trialog.records.models import Entry, Trial
from trialog.records.queries import shifts_of
from trialog.records.words import CounterEvent, EntryKind, RulingCause

MOST_CLEAN_CYCLES = 1_000_000
MOST_FAILURES = 200
MOST_SHIFTS = 100
"""What one question may hold; common practice, no source."""

WORDS = "what if"

Supposed = tuple[str, int, bool]
"""A failed line's client id, one of its failure modes, and whether that would be relevant."""


def what_if(
    session: Session,
    trial: Trial,
    *,
    clean_cycles: int = 0,
    failures: Sequence[int] = (),
    rulings: Sequence[Supposed] = (),
    taken_back: Sequence[str] = (),
) -> Verdict:
    """Return the verdict that a trial would have, and leave the records as they are.

    `failures`: a failed cycle for each, with that failure mode, ruled relevant; `clean_cycles`
    follow them, in one more shift whose counter agrees with its log. `rulings` are as an engineer
    would write them, `taken_back` rulings by client id. The lines go through the one write path
    and the verdict is judged as any other; then all of it is rolled back, to the savepoint that
    was set before. So nothing is counted a second way, at the cost of the cell's lock while it
    takes, as long as a look at the trial's page. Must run where the session may write.

    Raises
    ------
    InvalidValueError
        If more is supposed than one question may hold.
    TrialogError
        Whatever rule a supposed line breaks.
    """
    _check_amounts(clean_cycles, failures)
    session.flush()
    savepoint = session.begin_nested()
    try:
        _suppose(session, trial, _corrections(rulings, taken_back))
        _suppose(session, trial, list(_cycles(session, trial, clean_cycles, failures)))
        return judge(session, trial)
    finally:
        savepoint.rollback()
        session.expire_all()


def _check_amounts(clean_cycles: int, failures: Sequence[int]) -> None:
    if not 0 <= clean_cycles <= MOST_CLEAN_CYCLES:
        rule = f"be between 0 and {MOST_CLEAN_CYCLES:,}"
        raise InvalidValueError("clean cycles", rule, clean_cycles)
    if len(failures) > MOST_FAILURES:
        raise InvalidValueError("failures", f"be at most {MOST_FAILURES}", len(failures))


def _suppose(session: Session, trial: Trial, lines: Sequence[NewEntry]) -> None:
    """Write lines that will not stay."""
    if not lines:
        return
    try:
        write_entries(session, trial.cell, lines, actor=None, now=_moment(session, trial))
    except RejectedEntriesError as error:
        raise error.rejected[0].error from error


def _moment(session: Session, trial: Trial) -> datetime:
    """Return a time after all that was logged, whatever the clock says.

    So the newest revision is in force, and the supposed shift is the last.
    """
    newest = session.scalar(
        select(func.max(Entry.occurred_at)).where(Entry.cell_id == trial.cell_id)
    )
    known = [trial.created_at, trial.begins_at, newest]
    return max(moment for moment in known if moment is not None) + timedelta(seconds=1)


def _corrections(rulings: Sequence[Supposed], taken_back: Sequence[str]) -> list[NewEntry]:
    names = _names("correction")
    undone = [
        NewEntry(client_id=next(names), kind=EntryKind.UNDO, target=target) for target in taken_back
    ]
    ruled = [
        NewEntry(
            client_id=next(names),
            kind=EntryKind.RULING,
            target=target,
            failure_mode_id=mode_id,
            relevant=relevant,
            cause=None if relevant else RulingCause.OTHER,
            reason=WORDS,
        )
        for target, mode_id, relevant in rulings
    ]
    return undone + ruled


def _cycles(
    session: Session, trial: Trial, clean_cycles: int, failures: Sequence[int]
) -> Iterator[NewEntry]:
    """Return the lines of one more shift, the failures first.

    A shift holds no more cycles than the machine's counter can tell apart, so there are more
    shifts where the counter starts again sooner.
    """
    modulus = trial.cell.counter_modulus
    room = MOST_CLEAN_CYCLES + MOST_FAILURES if modulus is None else modulus - 1
    if clean_cycles + len(failures) > MOST_SHIFTS * room:
        rule = f"be at most {MOST_SHIFTS * room:,}: the counter starts again after {modulus:,}"
        raise InvalidValueError("cycles", rule, clean_cycles + len(failures))
    names, labels = _names("line"), _free_labels(session, trial)
    counter = _last_counter(session, trial, modulus)
    while failures or clean_cycles:
        failed, failures = failures[:room], failures[room:]
        good = min(clean_cycles, room - len(failed))
        clean_cycles -= good
        yield from _shift(next(labels), trial, counter, failed, good, names=names)
        counter = _counter_after(counter, len(failed) + good, modulus)


def _shift(
    label: str,
    trial: Trial,
    counter: int,
    failures: Sequence[int],
    good: int,
    *,
    names: Iterator[str],
) -> Iterator[NewEntry]:
    """Return the lines of a shift, from opening to closing."""
    closed = _counter_after(counter, len(failures) + good, trial.cell.counter_modulus)
    yield NewEntry(
        client_id=next(names), kind=EntryKind.SHIFT_OPENED, shift=label,
        stage=trial.stage, counter=counter,
    )  # fmt: skip
    for mode_id in failures:
        failed = next(names)
        yield NewEntry(
            client_id=failed, kind=EntryKind.FAILED, shift=label, cycles=1, mode_ids=(mode_id,)
        )
        yield NewEntry(
            client_id=next(names), kind=EntryKind.RULING, target=failed, relevant=True, reason=WORDS
        )
    for start in range(0, good, MOST_CYCLES_AT_ONCE):
        cycles = min(good - start, MOST_CYCLES_AT_ONCE)
        yield NewEntry(client_id=next(names), kind=EntryKind.GOOD, shift=label, cycles=cycles)
    yield NewEntry(
        client_id=next(names), kind=EntryKind.SHIFT_CLOSED, shift=label, counter=closed,
        counter_event=CounterEvent.ROLLED_OVER if closed < counter else None,
    )  # fmt: skip


def _names(what: str) -> Iterator[str]:
    """Make client ids; they need only be new until the rollback."""
    return (f"what-if:{what}:{number}" for number in count(1))


def _free_labels(session: Session, trial: Trial) -> Iterator[str]:
    taken = {shift.label for shift in shifts_of(session, trial.cell)}
    return (label for number in count(1) if (label := f"what if {number}") not in taken)


def _last_counter(session: Session, trial: Trial, modulus: int | None) -> int:
    """Return where the machine's counter stands, as far as the newest shifts tell."""
    readings = (
        reading
        for shift in reversed(shifts_of(session, trial.cell))
        for reading in (shift.closing_counter, shift.opening_counter)
        if reading is not None
    )
    return _counter_after(next(readings, 0), 0, modulus)


def _counter_after(counter: int, cycles: int, modulus: int | None) -> int:
    return counter + cycles if modulus is None else (counter + cycles) % modulus
