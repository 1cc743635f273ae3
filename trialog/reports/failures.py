"""Failed cycles, a line for each failure mode seen, with the rulings in force."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from sqlalchemy import Row, Select, select
from sqlalchemy.orm import Session, selectinload

from trialog.evidence import Evidence
from trialog.languages import t
from trialog.records.models import Entry, FailureMode, FailurePosition, Revision, Shift
from trialog.records.queries import undone_ids
from trialog.records.words import EntryKind


class Ruling(StrEnum):
    """What an engineer has ruled on a failure."""

    RELEVANT = "relevant"
    NON_RELEVANT = "non-relevant"
    UNRULED = "not ruled on"


@dataclass(frozen=True)
class FailureLine:
    """One failure mode seen on one failed cycle.

    `entry` is the client id of the failed cycle's line in the logbook, `ruling_entry` that of
    the ruling in force. `revision`: what was changed last before the cycle ran.
    """

    entry: str
    shift: str
    cycle: int | None
    at: datetime
    person: str | None
    mode_id: int
    mode: str
    device: str
    effect: str
    ruling: Ruling
    cause: str
    reason: str
    ruling_entry: str | None
    note: str
    shift_id: int = field(metadata={"omit": True})
    revision: str = field(metadata={"omit": True})
    revision_id: int = field(metadata={"omit": True})

    @property
    def ruled_because(self) -> str:
        """The ruling's cause and words, as one text."""
        return ": ".join(
            part for part in (t(self.cause) if self.cause else "", self.reason) if part
        )


Rows = Select[Entry, FailurePosition, FailureMode, str, str]


def failures_of_shift(session: Session, shift: Shift) -> tuple[FailureLine, ...]:
    """Return the failures of a shift in the order of the logbook."""
    rows = _rows().where(FailurePosition.shift_id == shift.id)
    return _lines(session, shift.cell_id, rows)


def failures_of_evidence(session: Session, evidence: Evidence) -> tuple[FailureLine, ...]:
    """Return the failures in a trial's evidence: relevant ones and no-tests."""
    trial = evidence.trial
    shift_ids = [int(shift_id) for shift_id in evidence.shifts["shift_id"]]
    rows = _rows().where(
        FailurePosition.shift_id.in_(shift_ids),
        FailurePosition.revision_id.in_(evidence.revision_ids),
    )
    if trial.device_id is not None:
        rows = rows.where(FailureMode.device_id == trial.device_id)
    return _lines(session, trial.cell_id, rows)


def _rows() -> Rows:
    return (
        select(Entry, FailurePosition, FailureMode, Shift.label, Revision.what)
        .join(FailurePosition, FailurePosition.entry_id == Entry.id)
        .join(FailureMode, FailureMode.id == FailurePosition.failure_mode_id)
        .join(Shift, Shift.id == Entry.shift_id)
        .join(Revision, Revision.id == FailurePosition.revision_id)
        .order_by(Shift.opened_at, Shift.id, Entry.sequence, FailureMode.id)
        .options(selectinload(Entry.person), selectinload(FailureMode.device))
    )


def _lines(session: Session, cell_id: int, rows: Rows) -> tuple[FailureLine, ...]:
    found = session.execute(rows).all()
    rulings = _rulings(session, cell_id, ((entry, mode) for entry, _, mode, *_ in found))
    return tuple(_line(rulings, row) for row in found)


def _line(
    rulings: dict[tuple[str | None, int | None], Entry],
    row: Row[Entry, FailurePosition, FailureMode, str, str],
) -> FailureLine:
    entry, position, mode, shift, revision = row
    ruled = rulings.get((entry.client_id, mode.id))
    return FailureLine(
        entry=entry.client_id,
        shift=shift,
        cycle=entry.cycle_number,
        at=entry.occurred_at,
        person=None if entry.person is None else entry.person.name,
        mode_id=mode.id,
        mode=mode.name,
        device=mode.device.name,
        effect=str(mode.effect),
        ruling=_ruling(position),
        cause="" if ruled is None else ruled.cause or "",
        reason="" if ruled is None else ruled.reason,
        ruling_entry=None if ruled is None else ruled.client_id,
        note=entry.text,
        shift_id=position.shift_id,
        revision=revision,
        revision_id=position.revision_id,
    )


def _ruling(position: FailurePosition) -> Ruling:
    if not position.ruled:
        return Ruling.UNRULED
    return Ruling.RELEVANT if position.relevant else Ruling.NON_RELEVANT


def _rulings(
    session: Session, cell_id: int, failed: Iterable[tuple[Entry, FailureMode]]
) -> dict[tuple[str | None, int | None], Entry]:
    """Return the ruling in force by failed line and mode; a later one replaces an earlier."""
    modes_of: dict[str | None, list[int]] = defaultdict(list)
    for entry, mode in failed:
        modes_of[entry.client_id].append(mode.id)
    if not modes_of:
        return {}
    undone = undone_ids(session, cell_id)
    statement = (
        select(Entry)
        .where(Entry.cell_id == cell_id, Entry.kind == EntryKind.RULING)
        .order_by(Entry.sequence)
    )
    rulings: dict[tuple[str | None, int | None], Entry] = {}
    for ruling in session.scalars(statement):
        if ruling.client_id in undone or ruling.target not in modes_of:
            continue
        modes = modes_of[ruling.target]
        about = modes if ruling.failure_mode_id is None else [ruling.failure_mode_id]
        rulings |= {(ruling.target, mode): ruling for mode in about}
    return rulings
