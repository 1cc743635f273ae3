"""Import a file into a cell's logbook, or show what an import would do."""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, TrialogError
from trialog.feeds.columns import Form
from trialog.feeds.csv_log import ParsedFile, read_csv
from trialog.feeds.foreign_tablets import enter_tablets, keep_those_that_wrote
from trialog.feeds.tables import RejectedLine
from trialog.records.audit import IMPORTED, record_event
from trialog.records.logbook import Written, write_entries
from trialog.records.models import Cell, CellRollup, Person, Shift
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
    with collector_at_rest():
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
    with collector_at_rest():
        attempt = _Attempt(session, cell, read_csv(content, session, cell, now=now), actor, now)
        return attempt.run(good_lines_only=good_lines_only, keep=False)


@contextmanager
def collector_at_rest() -> Iterator[None]:
    """Keep Python from looking for dead circles among a file's lines, which form none.

    It would walk through all of them again and again: a quarter of the time of a large import.
    """
    ran = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if ran:
            gc.enable()


class _Attempt:
    """A file on its way into the logbook, held by a savepoint until all is known."""

    def __init__(
        self, session: Session, cell: Cell, parsed: ParsedFile, actor: Person | None, now: datetime
    ) -> None:
        self._session = session
        self._cell = cell
        self._parsed = parsed
        self._actor = actor
        self._now = now
        self._rejected = {line.line: line for line in reversed(parsed.rejected)}
        self._blocked = False
        self._tablets: tuple[str, ...] = ()

    def run(self, *, good_lines_only: bool, keep: bool) -> ImportResult:
        """Write the good lines, look at the outcome, and keep it or roll it back."""
        before = self._labels()
        savepoint = self._session.begin_nested()
        written = self._write()
        while self._reject_torn_lines(written):
            savepoint.rollback()
            savepoint = self._session.begin_nested()
            written = self._write()
        accepted = not self._blocked and (good_lines_only or not self._rejected)
        result = self._result(written, before, accepted=accepted, kept=keep and accepted)
        if result.written:
            savepoint.commit()
        else:
            savepoint.rollback()
        return result

    def _write(self) -> Written:
        """Write what is not rejected yet, and take note of what the logbook rejects."""
        places = [
            place
            for place, line in enumerate(self._parsed.lines)
            if not (self._whole_lines and line in self._rejected)
        ]
        entries, tablets = enter_tablets(
            self._session,
            self._parsed.new_tablets,
            [self._parsed.entries[place] for place in places],
            now=self._now,
        )
        try:
            written = write_entries(
                self._session, self._cell, entries,
                actor=self._actor, now=self._now, good_only=True,
            )  # fmt: skip
        except ConflictError as error:
            self._blocked = True
            self._reject(self._last_opening(), error)
            return Written((), (), ())
        for rejected in written.rejected:
            self._reject(self._parsed.lines[places[rejected.index]], rejected.error)
        self._tablets = keep_those_that_wrote(
            self._session, tablets, entries, set(written.added),
            actor=self._actor, now=self._now,
        )  # fmt: skip
        self._note_import(written)
        return written

    def _note_import(self, written: Written) -> None:
        """Put on record which lines came from a file: their photos cannot be here."""
        if written.added:
            last = self._cell.chain_length
            record_event(
                self._session, IMPORTED, "logbook", self._cell.id, actor=self._actor,
                now=self._now, first=last - len(written.added) + 1, last=last,
            )  # fmt: skip

    @property
    def _whole_lines(self) -> bool:
        """Whether a line of the file stands for several lines that belong together."""
        return self._parsed.form is Form.TALLIES

    def _reject(self, line: int, error: TrialogError) -> None:
        text = self._parsed.rows[line].text
        self._rejected.setdefault(line, RejectedLine(line, str(error), text))

    def _last_opening(self) -> int:
        """Return the line that leaves a shift open beside another: most likely an opening."""
        openings = (
            line
            for line, entry in zip(self._parsed.lines, self._parsed.entries, strict=True)
            if entry.kind is EntryKind.SHIFT_OPENED
        )
        return max(openings, default=self._parsed.lines[-1])

    def _reject_torn_lines(self, written: Written) -> bool:
        """Say whether a line was written in part: then it has to be left out as a whole."""
        if not self._whole_lines:
            return False
        added = set(written.added)
        return any(
            line in self._rejected and entry.client_id in added
            for line, entry in zip(self._parsed.lines, self._parsed.entries, strict=True)
        )

    def _labels(self) -> set[str]:
        statement = select(Shift.label).where(Shift.cell_id == self._cell.id)
        return set(self._session.scalars(statement))

    def _result(
        self, written: Written, before: set[str], *, accepted: bool, kept: bool
    ) -> ImportResult:
        return ImportResult(
            form=self._parsed.form,
            added=len(written.added) if accepted else 0,
            repeated=len(written.repeated),
            acceptable=len(written.added),
            rejected=tuple(self._rejected[line] for line in sorted(self._rejected)),
            shifts=tuple(self._summaries(written, before)),
            tablets=self._tablets,
            written=kept,
        )

    def _summaries(self, written: Written, before: set[str]) -> Iterator[ShiftSummary]:
        ids = set(written.added)
        standing = ids.union(written.repeated)
        added: Counter[str] = Counter()
        for entry in self._parsed.entries:
            if entry.shift is not None and entry.client_id in standing:
                added[entry.shift] += entry.client_id in ids
        counts = self._counts()
        for label, lines in added.items():
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
