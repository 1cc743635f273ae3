"""Import a file into a cell's logbook, or show what an import would do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, SessionTransaction

from trialog.errors import ConflictError, TrialogError
from trialog.feeds.columns import Form
from trialog.feeds.csv_log import CsvFile, Portion, read_csv
from trialog.feeds.foreign_tablets import enter_tablets, keep_those_that_wrote
from trialog.feeds.names import Names
from trialog.feeds.shifts import stored_shifts
from trialog.feeds.tables import RejectedLine, Row
from trialog.garbage import no_search
from trialog.records.audit import IMPORTED, record_event
from trialog.records.batch import require_one_open
from trialog.records.logbook import Part, write_entries
from trialog.records.models import Cell, CellRollup, Person, Shift
from trialog.records.partitions import one_takes_all
from trialog.records.words import EntryKind


@dataclass(frozen=True)
class ShiftSummary:
    """A shift that a file touches, as it stands once the file is imported."""

    label: str
    new: bool
    added: int
    """Lines of the logbook that the file adds to it."""

    cycles: int
    failed: int
    """Cycles and failed cycles that the shift then holds, imported or logged."""


@dataclass(frozen=True)
class ImportResult:
    """What an import did, or in a preview would do.

    Counts are lines of the logbook: a tally's one line becomes several, and a shift that
    no line opens or closes is opened and closed all the same.
    """

    form: Form
    added: int
    repeated: int
    """Lines that were in the logbook already."""

    acceptable: int
    """Lines that are added where only the good lines are asked for."""

    rejected: tuple[RejectedLine, ...]
    shifts: tuple[ShiftSummary, ...]
    """What the acceptable lines make of the shifts they belong to."""

    tablets: tuple[str, ...]
    """Tablets that the acceptable lines name and the records did not know."""

    written: bool
    """Whether the lines are in the logbook now; never after a preview."""

    @property
    def in_words(self) -> str:
        """One sentence on what was done or would be."""
        if self.rejected and not self.added:
            return f"Nothing is added: {_some(len(self.rejected), 'line')} cannot be imported."
        if not self.added + self.repeated:
            return "This adds nothing: the file holds no lines."
        if not self.added:
            return f"This adds nothing: {_all(self.repeated)} in the logbook already."
        parts = [f"Adds {_some(self.added, 'line')} to the logbook"]
        if self.repeated:
            parts.append(f"{self.repeated} were there already")
        if self.rejected:
            parts.append(f"leaves out {_some(len(self.rejected), 'line')} of the file")
        if self.tablets:
            one = len(self.tablets) == 1
            parts.append(
                f"{', '.join(self.tablets)}: {'a tablet' if one else 'tablets'} of other records, "
                f"kept by name and revoked"
            )
        return "; ".join(parts) + "."


def _some(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _all(count: int) -> str:
    return "its one line is" if count == 1 else f"all {count} lines are"


def import_csv(
    session: Session,
    cell: Cell,
    content: bytes,
    *,
    actor: Person | None,
    now: datetime,
    good_lines_only: bool = False,
) -> ImportResult:
    """Import a file: all of it, or with `good_lines_only` the lines without fault.

    Where a line is rejected and `good_lines_only` is not set, nothing is written and the
    result says so. Must run in a unit of work.

    Raises
    ------
    InvalidValueError
        If the file as a whole cannot be read.
    """
    with no_search():
        attempt = _Attempt(session, cell, read_csv(content, session, cell, now=now), actor, now)
        return attempt.run(good_lines_only=good_lines_only, keep=True)


def preview(
    session: Session,
    cell: Cell,
    content: bytes,
    *,
    actor: Person | None,
    now: datetime,
    good_lines_only: bool = False,
) -> ImportResult:
    """Say what `import_csv` would do: the same code runs, and is rolled back.

    It takes the write lock like an import, so it too runs in a unit of work.
    """
    with no_search():
        attempt = _Attempt(session, cell, read_csv(content, session, cell, now=now), actor, now)
        return attempt.run(good_lines_only=good_lines_only, keep=False)


@dataclass
class _Outcome:
    """What became of a file's lines so far."""

    rejected: dict[int, RejectedLine]
    added: int = 0
    repeated: int = 0
    of_shifts: Counter[str] = field(default_factory=Counter)
    """Lines added to each shift that the file touches."""

    tablets: list[str] = field(default_factory=list)
    torn: bool = False
    """Whether a line that stands for several was written in part: it has to be left out whole."""

    blocked: bool = False
    """Whether the file would leave a shift open beside another."""

    def count(self, portion: Portion, added: Collection[str], repeated: Collection[str]) -> None:
        """Count a portion's lines that are in the logbook now, by shift."""
        self.added += len(added)
        self.repeated += len(repeated)
        there = set(repeated)
        for entry in portion.entries:
            new = entry.client_id in added
            if entry.shift is not None and (new or entry.client_id in there):
                self.of_shifts[entry.shift] += new

    def reject(self, line: int, portion: Portion, error: TrialogError) -> None:
        """Take note of a line that cannot be written; what was found first stands."""
        text = portion.rows[line].text
        self.rejected.setdefault(line, RejectedLine(line, str(error), text))


class _Attempt:
    """A file on its way into the logbook, held by a savepoint until all is known."""

    def __init__(
        self, session: Session, cell: Cell, file: CsvFile, actor: Person | None, now: datetime
    ) -> None:
        self._session = session
        self._cell = cell
        self._file = file
        self._actor = actor
        self._now = now
        self._doubts = not one_takes_all(session.connection())
        """Whether lines are looked for in the logbook even where they cannot be there."""

    def run(self, *, good_lines_only: bool, keep: bool) -> ImportResult:
        """Write the good lines, look at the outcome, and keep it or roll it back."""
        before = stored_shifts(self._session, self._cell).keys()
        savepoint, outcome = self._try({})
        while outcome.torn:
            savepoint.rollback()
            savepoint, outcome = self._try(outcome.rejected)
        accepted = not outcome.blocked and (good_lines_only or not outcome.rejected)
        result = self._result(outcome, before, accepted=accepted, kept=keep and accepted)
        if result.written:
            savepoint.commit()
        else:
            savepoint.rollback()
        return result

    def _try(self, rejected: Mapping[int, RejectedLine]) -> tuple[SessionTransaction, _Outcome]:
        """Write the file from its start; return what takes it back, too."""
        self._session.refresh(self._cell, with_for_update=True)  # nobody opens a shift meanwhile
        savepoint = self._session.begin_nested()
        try:
            return savepoint, self._write(rejected)
        except IntegrityError:
            savepoint.rollback()
            if self._doubts:
                raise
        # Somebody sent a line of their own under an id that is made here.
        self._doubts = True
        self._file = replace(self._file, names=Names.of(self._session, self._cell))
        return self._try(rejected)

    def _write(self, rejected: Mapping[int, RejectedLine]) -> _Outcome:
        """Write what is not rejected yet, and take note of what the logbook rejects."""
        outcome, opening, last = _Outcome(dict(rejected)), None, None
        portions = self._file.portions()
        for portion in portions:
            for line in portion.rejected:
                outcome.rejected.setdefault(line.line, line)
            self._write_portion(portion, outcome, portions.read_ahead)
            opening, last = _last_opening(portion) or opening, _last(portion) or last
        try:
            require_one_open(self._session, self._cell)
        except ConflictError as error:
            outcome.blocked = True
            # Most likely it is an opening that leaves a shift open beside another.
            if (row := opening or last) is not None:
                outcome.rejected.setdefault(row.line, RejectedLine(row.line, str(error), row.text))
        self._note_import(outcome.added)
        return outcome

    def _write_portion(
        self, portion: Portion, outcome: _Outcome, meanwhile: Callable[[], None]
    ) -> None:
        places: Sequence[int] = range(len(portion.entries))
        if self._whole_lines:
            left_out = outcome.rejected.keys()
            places = [place for place in places if portion.lines[place] not in left_out]
        names = self._file.names
        entries, tablets = enter_tablets(
            self._session,
            names,
            [portion.entries[place] for place in places],
            now=self._now,
        )
        written = write_entries(
            self._session, self._cell, entries,
            actor=self._actor, now=self._now, good_only=True,
            part=Part(portion.unseen and not self._doubts, meanwhile),
        )  # fmt: skip
        for rejected in written.rejected:
            outcome.reject(portion.lines[places[rejected.index]], portion, rejected.error)
        added = set(written.added)
        wrote = keep_those_that_wrote(
            self._session, tablets, entries, added, actor=self._actor, now=self._now
        )
        names.know(wrote)
        outcome.tablets += wrote
        outcome.torn |= self._whole_lines and any(
            line in outcome.rejected and entry.client_id in added
            for line, entry in zip(portion.lines, portion.entries, strict=True)
        )
        outcome.count(portion, added, written.repeated)

    def _note_import(self, added: int) -> None:
        """Put on record which lines came from a file: their photos cannot be here."""
        if added:
            last = self._cell.chain_length
            record_event(
                self._session, IMPORTED, "logbook", self._cell.id, actor=self._actor,
                now=self._now, first=last - added + 1, last=last,
            )  # fmt: skip

    @property
    def _whole_lines(self) -> bool:
        """Whether a line of the file stands for several lines that belong together."""
        return self._file.form is Form.TALLIES

    def _result(
        self, outcome: _Outcome, before: Collection[str], *, accepted: bool, kept: bool
    ) -> ImportResult:
        return ImportResult(
            form=self._file.form,
            added=outcome.added if accepted else 0,
            repeated=outcome.repeated,
            acceptable=0 if outcome.blocked else outcome.added,
            rejected=tuple(outcome.rejected[line] for line in sorted(outcome.rejected)),
            shifts=() if outcome.blocked else tuple(self._summaries(outcome, before)),
            tablets=tuple(sorted(outcome.tablets)),
            written=kept,
        )

    def _summaries(self, outcome: _Outcome, before: Collection[str]) -> Iterator[ShiftSummary]:
        counts = self._counts()
        for label, lines in outcome.of_shifts.items():
            cycles, failed = counts.get(label, (0, 0))
            yield ShiftSummary(label, label not in before, lines, cycles, failed)

    def _counts(self) -> dict[str, tuple[int, int]]:
        """Return the cycles and failed cycles of each shift of the cell."""
        statement = (
            select(
                Shift.label,
                func.sum(CellRollup.logged),
                func.sum(CellRollup.failures + CellRollup.no_tests),
            )
            .join(CellRollup, CellRollup.shift_id == Shift.id)
            .where(Shift.cell_id == self._cell.id)
            .group_by(Shift.label)
        )
        rows = self._session.execute(statement)
        return {label: (int(cycles), int(failed)) for label, cycles, failed in rows}


def _last_opening(portion: Portion) -> Row | None:
    openings = [
        line
        for line, entry in zip(portion.lines, portion.entries, strict=True)
        if entry.kind is EntryKind.SHIFT_OPENED
    ]
    return portion.rows[max(openings)] if openings else None


def _last(portion: Portion) -> Row | None:
    return portion.rows[portion.lines[-1]] if portion.lines else None
