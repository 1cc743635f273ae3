"""Tallies: a row of the file is a whole shift, with how often each failure mode was seen."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TypeVar

from trialog.errors import InvalidValueError, TrialogError
from trialog.feeds.columns import TALLIES, require_known
from trialog.feeds.identity import Identities
from trialog.feeds.names import Names
from trialog.feeds.shifts import Line
from trialog.feeds.tables import MOST_LINES, RejectedLine, Row, Table, column_key
from trialog.feeds.values import read_time, read_whole, read_word, read_yes_no
from trialog.records.entries import (
    MOST_CYCLES_AT_ONCE,
    NewEntry,
    check_form,
    check_name,
    check_whole,
)
from trialog.records.formulas import unguard
from trialog.records.words import CounterEvent, EntryKind, Stage

MOST_CYCLES = 1_000_000
"""How many cycles one shift's tally may hold."""

MOST_FAILURES = 100_000
"""How many failures: each becomes a line, and nobody counts that many in a shift."""

_TEXT = frozenset({"shift", "operator", "note"})

T = TypeVar("T")


@dataclass(frozen=True)
class _Tally:
    """One row's figures. `modes`: how often each mode was seen, in order of device and mode."""

    shift: str
    opened: datetime
    closed: datetime
    stage: Stage
    person_id: int | None
    cycles: int
    failed: tuple[tuple[int, ...], ...]
    counter_open: int | None
    counter_close: int | None
    counter_event: CounterEvent | None
    mismatch_accepted: bool
    note: str


def read_tallies(
    table: Table, names: Names, identities: Identities, *, now: datetime
) -> tuple[list[Line], list[RejectedLine]]:
    """Read each row of a tally file as a shift's lines.

    Raises
    ------
    InvalidValueError
        If they come to more lines than a file may have.
    """
    reader = _TallyReader(table, names)
    lines: list[Line] = []
    rejected: list[RejectedLine] = []
    for row in table.rows():
        if isinstance(row, RejectedLine):
            rejected.append(row)
            continue
        try:
            entries = [identities.named(entry) for entry in _entries(reader.tally(row))]
            for entry in entries:
                check_form(entry, now)
        except TrialogError as error:
            rejected.append(RejectedLine(row.line, str(error), row.text))
            continue
        lines += [Line(row, entry) for entry in entries]
        if len(lines) > MOST_LINES:
            rule = f"come to at most {MOST_LINES} lines of the logbook"
            raise InvalidValueError("file", rule, f"line {row.line}")
    return lines, rejected


def deal(counts: Sequence[tuple[int, int]], failed_cycles: int) -> list[tuple[int, ...]]:
    """Deal seen failure modes over a number of failed cycles.

    `counts` holds each mode with how often it was seen, in order of device and mode.
    The file does not say which modes met on one cycle. Occurrence i goes to cycle
    i modulo `failed_cycles`, so that one device's failures meet on a cycle as little as
    they can: each device gets as many failed cycles as the figures allow, which errs on
    the cautious side. No cycle gets a mode twice, since no mode was seen more often than
    there are failed cycles.
    """
    dealt: list[list[int]] = [[] for _ in range(failed_cycles)]
    seen = (mode for mode, count in counts for _ in range(count))
    for place, mode in enumerate(seen):
        dealt[place % failed_cycles].append(mode)
    return [tuple(modes) for modes in dealt]


class _TallyReader:
    """Turns a row's cells into a tally."""

    def __init__(self, table: Table, names: Names) -> None:
        require_known(table, [*TALLIES, *names.modes])
        self._names = names
        self._comma = table.delimiter != ","
        self._columns = table.header
        titles = dict(zip(table.header, table.titles, strict=True))
        self._mode_columns = _mode_columns(titles, names)

    def tally(self, row: Row) -> _Tally:
        """Read and check one row."""
        cells = row.cells
        if len(cells) > len(self._columns) and any(map(str.strip, cells[len(self._columns) :])):
            raise InvalidValueError("line", f"have at most {len(self._columns)} cells", len(cells))
        given = {
            column: (unguard(cell) if column in _TEXT else cell).strip()
            for column, cell in zip(self._columns, cells, strict=False)
        }
        opened = self._required(given, "opened", read_time)
        closed = self._optional(given, "closed", read_time) or opened
        if closed < opened:
            raise InvalidValueError("closed", "not lie before opened", given["closed"])
        cycles = self._required(given, "cycles", self._count)
        return _Tally(
            shift=check_name("shift", given.get("shift", "")),
            opened=opened,
            closed=closed,
            stage=self._optional(given, "stage", _word(Stage)) or Stage.BY_HAND,
            person_id=self._optional(given, "operator", lambda _, name: self._names.person(name)),
            cycles=cycles,
            failed=tuple(self._failed(given, cycles)),
            counter_open=self._optional(given, "counter_open", self._whole),
            counter_close=self._optional(given, "counter_close", self._whole),
            counter_event=self._optional(given, "counter_event", _word(CounterEvent)),
            mismatch_accepted=bool(self._optional(given, "mismatch_accepted", read_yes_no)),
            note=given.get("note", ""),
        )

    def _failed(self, given: Mapping[str, str], cycles: int) -> list[tuple[int, ...]]:
        counts = [
            (mode, self._optional(given, column, self._count) or 0)
            for mode, column in self._mode_columns.items()
        ]
        seen = sum(count for _, count in counts)
        check_whole("failures", seen, 0, MOST_FAILURES)
        stated = self._optional(given, "failed_cycles", self._count)
        if stated is None:
            _check_failures("failures", seen, cycles)
            return [(mode,) for mode, count in counts for _ in range(count)]
        _check_failures("failed_cycles", stated, cycles)
        most = max((count for _, count in counts), default=0)
        if not most <= stated <= seen:
            raise InvalidValueError(
                "failed_cycles",
                f"lie between {most}, the largest count of one failure mode, "
                f"and {seen}, the sum of all",
                stated,
            )
        return deal(counts, stated)

    def _whole(self, field: str, text: str) -> int:
        return read_whole(field, text, decimal_comma=self._comma)

    def _count(self, field: str, text: str) -> int:
        count = self._whole(field, text)
        check_whole(field, count, 0, MOST_CYCLES)
        return count

    @staticmethod
    def _optional(given: Mapping[str, str], column: str, read: Callable[[str, str], T]) -> T | None:
        text = given.get(column, "")
        return read(column, text) if text else None

    @staticmethod
    def _required(given: Mapping[str, str], column: str, read: Callable[[str, str], T]) -> T:
        if not given.get(column):
            raise InvalidValueError(column, "be given", "")
        return read(column, given[column])


def _check_failures(field: str, failures: int, cycles: int) -> None:
    """Refuse more failed cycles than cycles."""
    if failures > cycles:
        raise InvalidValueError(field, f"be at most the shift's {cycles} cycles", failures)


def _word(words: Any) -> Callable[[str, str], Any]:
    return lambda field, text: read_word(field, text, words)


def _mode_columns(titles: Mapping[str, str], names: Names) -> dict[int, str]:
    """Return the column of each failure mode that has one, in order of device and mode."""
    named: dict[str, list[str]] = {}
    for name in names.modes:
        named.setdefault(column_key(name), []).append(name)
    columns: dict[str, str] = {}
    for key, title in titles.items():
        like = [] if key in TALLIES else named.get(key, [])
        if len(like) > 1 and title not in like:
            raise InvalidValueError(
                "header", f"say which it means of {' and '.join(map(repr, like))}", title
            )
        columns |= {title if title in like else name: key for name in like}
    return {mode: columns[name] for name, mode in names.modes.items() if name in columns}


def _entries(tally: _Tally) -> Iterator[NewEntry]:
    """Return a shift's lines; nobody wrote down in which order its cycles ran."""

    def line(kind: EntryKind, moment: datetime, **fields: Any) -> NewEntry:
        return NewEntry(
            client_id="-", kind=kind, shift=tally.shift, occurred_at=moment,
            person_id=tally.person_id, **fields,
        )  # fmt: skip

    yield line(EntryKind.SHIFT_OPENED, tally.opened, stage=tally.stage, counter=tally.counter_open)
    for modes in tally.failed:
        yield line(EntryKind.FAILED, tally.opened, cycles=1, mode_ids=modes, order_known=False)
    good = tally.cycles - len(tally.failed)
    for cycles in _portions(good):
        yield line(EntryKind.GOOD, tally.opened, cycles=cycles, order_known=False)
    if tally.note:
        yield line(EntryKind.NOTE, tally.opened, text=tally.note)
    yield line(
        EntryKind.SHIFT_CLOSED, tally.closed, counter=tally.counter_close,
        counter_event=tally.counter_event, mismatch_accepted=tally.mismatch_accepted,
    )  # fmt: skip


def _portions(cycles: int) -> Iterator[int]:
    """Part a count into portions that one line may hold."""
    while cycles > 0:
        yield min(cycles, MOST_CYCLES_AT_ONCE)
        cycles -= MOST_CYCLES_AT_ONCE
