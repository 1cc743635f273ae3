"""Cycle logs: a row of the file is a line of the logbook."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from operator import itemgetter
from typing import Any, NamedTuple

from trialog.errors import InvalidValueError, TrialogError
from trialog.feeds.columns import (
    ALLOWED,
    CYCLE_LOG,
    FREE_TEXT,
    NO_CAUSE,
    TEXT_COLUMNS,
    require_known,
)
from trialog.feeds.identity import Identities, Surroundings, surroundings
from trialog.feeds.names import Names
from trialog.feeds.tables import RejectedLine, Row, Table
from trialog.feeds.values import (
    read_ruling,
    read_seconds,
    read_time,
    read_whole,
    read_word,
    read_yes_no,
)
from trialog.records.entries import NewEntry, check_form, check_line, check_time, check_whole
from trialog.records.formulas import unguard
from trialog.records.words import (
    Condition,
    CounterEvent,
    EntryKind,
    Reading,
    RulingCause,
    Stage,
)

LARGEST_NUMBER = 10_000_000
"""How high a cycle's number in its shift may be."""

ONE_CYCLE = (EntryKind.GOOD, EntryKind.FAILED, EntryKind.CHECK)
"""What stands for one cycle where no number of them is given."""


class Draft(NamedTuple):
    """A row as a line of the logbook, before the shift as a whole has been looked at.

    `entry` is None where the row is rejected; its shift may still have been opened by it.
    """

    row: Row
    kind: EntryKind
    shift: str | None
    stage: Stage | None = None
    entry: NewEntry | None = None


class CycleLogReader:
    """Reads each row of a cycle log on its own."""

    def __init__(
        self, table: Table, names: Names, identities: Identities, *, now: datetime
    ) -> None:
        require_known(table, CYCLE_LOG)
        self._header = table.header
        self._reader = _Reader(
            names, identities, decimal_comma=table.delimiter != ",",
            has_causes="cause" in table.header, now=now,
        )  # fmt: skip
        self._alike = _Alike(table.header, self._reader)

    def drafts(self, rows: Iterable[Row]) -> tuple[list[Draft], list[RejectedLine]]:
        """Return the drafts of some rows, and those rows that have a fault."""
        drafts: list[Draft] = []
        rejected: list[RejectedLine] = []
        for row in rows:
            draft = self._alike.draft(row)
            if draft is not None:
                drafts.append(draft)
                continue
            try:
                given = _given(self._header, row)
                kind = self._reader.kind(given)
                # What a machine said neither opens nor closes the shift that it was said in.
                shift = None if kind is EntryKind.COUNT else given.get("shift")
                drafts.append(Draft(row, kind, shift))
                drafts[-1] = self._filled(drafts[-1], given)
                self._alike.remember(drafts[-1])
            except TrialogError as error:
                rejected.append(RejectedLine(row.line, str(error), row.text))
        return drafts, rejected

    def _filled(self, draft: Draft, given: Mapping[str, str]) -> Draft:
        stage = read_word("stage", given["stage"], Stage) if "stage" in given else None
        return draft._replace(stage=stage, entry=self._reader.entry(draft.kind, given))


def _given(header: Sequence[str], row: Row) -> dict[str, str]:
    """Return the cells that are filled in, by column."""
    if len(row.cells) > len(header) and any(cell.strip() for cell in row.cells[len(header) :]):
        raise InvalidValueError("line", f"have at most {len(header)} cells", len(row.cells))
    given: dict[str, str] = {}
    for column, cell in zip(header, row.cells, strict=False):
        text = unguard(cell) if column in TEXT_COLUMNS else cell
        if column not in FREE_TEXT:
            text = text.strip()
        if text:
            given[column] = text
    return given


class _Alike:
    """Rows that say what one before them says, but for their own cells: only those are read."""

    def __init__(self, header: Sequence[str], reader: _Reader) -> None:
        self._reader = reader
        self._width = len(header)
        # A column that the file lacks is looked for behind the last one, where nothing stands.
        own = [header.index(one) if one in header else self._width for one in _OWN_CELLS]
        self._own = itemgetter(*own)
        self._common = itemgetter(*(at for at in range(self._width) if at not in own))
        self._known: dict[Any, _Known] = {}

    def draft(self, row: Row) -> Draft | None:
        """Return the draft of a row; None where it has to be read on its own."""
        if len(row.cells) != self._width:
            return None
        like = self._known.get(self._common(row.cells))
        if like is None:
            return None
        name, time, cycle = self._own((*row.cells, ""))
        try:
            entry = self._reader.again(like, unguard(name.strip()), time.strip(), cycle.strip())
        except TrialogError:
            return None
        return Draft(row, like.draft.kind, like.draft.shift, like.draft.stage, entry)

    def remember(self, draft: Draft) -> None:
        """Take note of a row that was read on its own, and without fault."""
        if len(self._known) == _MOST_KNOWN:
            self._known.clear()
        if draft.entry is not None and len(draft.row.cells) == self._width:
            self._known[self._common(draft.row.cells)] = _Known(draft, draft.entry)


@dataclass(frozen=True)
class _Known:
    draft: Draft
    entry: NewEntry

    @cached_property
    def around(self) -> Surroundings:
        """What ids of lines that say the same are made with; of most rows there is only one."""
        return surroundings(self.entry)


_OWN_CELLS = ("id", "time", "cycle")
"""The columns in which nearly every row differs from the one before."""

_MOST_KNOWN = 4096


class _Reader:
    """Turns a row's cells into a line for the logbook."""

    def __init__(
        self,
        names: Names,
        identities: Identities,
        *,
        decimal_comma: bool,
        has_causes: bool,
        now: datetime,
    ) -> None:
        self._identities = identities
        self._has_causes = has_causes
        self._now = now

        def whole(field: str, text: str) -> int:
            return read_whole(field, text, decimal_comma=decimal_comma)

        def seconds(field: str, text: str) -> int:
            return read_seconds(field, text, decimal_comma=decimal_comma)

        def cycle_number(field: str, text: str) -> int:
            number = whole(field, text)
            check_whole(field, number, 1, LARGEST_NUMBER)
            return number

        def modes(_field: str, text: str) -> tuple[int, ...]:
            named = [name.strip() for name in text.replace("+", ";").split(";")]
            ids = tuple(names.mode(name) for name in named if name)
            if len(set(ids)) < len(ids):
                raise InvalidValueError("modes", "name each failure mode once", text)
            return ids

        self._cycle_number = cycle_number
        self._cells: dict[str, tuple[str, Callable[[str, str], Any]]] = {
            "shift": ("shift", _as_written),
            "cycle": ("cycle_number", cycle_number),
            "time": ("occurred_at", read_time),
            "modes": ("mode_ids", modes),
            "operator": ("person_id", lambda _, name: names.person(name)),
            "note": ("text", _as_written),
            "id": ("client_id", _as_written),
            "cycles": ("cycles", whole),
            "stage": ("stage", lambda field, text: read_word(field, text, Stage)),
            "counter": ("counter", whole),
            "counter_event": (
                "counter_event", lambda field, text: read_word(field, text, CounterEvent)
            ),
            "clear_seconds": ("clear_seconds", seconds),
            "condition": ("condition", lambda field, text: read_word(field, text, Condition)),
            "reading": ("reading", lambda field, text: read_word(field, text, Reading)),
            "device": ("device_id", lambda _, name: names.device(name)),
            "resets_evidence": ("resets_evidence", read_yes_no),
            "ruling": ("relevant", read_ruling),
            "mode": ("failure_mode_id", lambda _, name: names.mode(name)),
            "target": ("target", _as_written),
            "reason": ("reason", _as_written),
            "order_known": ("order_known", read_yes_no),
            "mismatch_accepted": ("mismatch_accepted", read_yes_no),
            "tablet": ("tablet_id", lambda _, name: names.tablet(name)),
            "tablet_number": ("tablet_number", whole),
            "tablet_time": ("tablet_time", read_time),
            "photo": ("photo", _as_written),
            "late": ("late", read_yes_no),
            "cause": ("cause", _read_cause),
        }  # fmt: skip

    def kind(self, given: Mapping[str, str]) -> EntryKind:
        """Return what kind of line a row is."""
        if "outcome" not in given:
            raise InvalidValueError("outcome", f"be one of {', '.join(EntryKind)}", "")
        return read_word("outcome", given["outcome"], EntryKind)

    def entry(self, kind: EntryKind, given: Mapping[str, str]) -> NewEntry:
        """Return a row's line, checked as far as it can be without the shift's other lines."""
        fields: dict[str, Any] = {}
        for column, text in given.items():
            if column not in ALLOWED[kind]:
                raise InvalidValueError(column, f"be empty on a {kind.value!r} line", text)
            if column != "outcome" and (column != "stage" or kind is EntryKind.SHIFT_OPENED):
                attribute, read = self._cells[column]
                fields[attribute] = read(column, text)
        if kind in ONE_CYCLE and "counter" not in fields:
            fields.setdefault("cycles", 1)
        if kind is EntryKind.SHIFT_OPENED:
            fields.setdefault("stage", Stage.BY_HAND)
        if kind is EntryKind.RULING:
            written = self._has_causes and given.get("cause") != NO_CAUSE
            fields["cause_unwritten"] = not written
        return self._checked(kind, fields)

    def again(self, like: _Known, name: str, time: str, cycle: str) -> NewEntry:
        """Return the line of a row that says what another's does, but for these three cells.

        Raises
        ------
        TrialogError
            If one of them cannot be read.
        """
        if cycle and "cycle" not in ALLOWED[like.entry.kind]:
            raise InvalidValueError("cycle", f"be empty on a {like.entry.kind} line", cycle)
        moment = read_time("time", time) if time else None
        number = self._cycle_number("cycle", cycle) if cycle else None
        if name:
            line = like.entry.again(name, moment, number)
            check_line(line, self._now)
            return line
        if moment is not None:
            check_time("time", moment, self._now)
        # Not before: a line without fault alone is counted as one that stood there.
        made = self._identities.name_in(like.around, moment, number)
        return like.entry.again(made, moment, number)

    def _checked(self, kind: EntryKind, fields: dict[str, Any]) -> NewEntry:
        entry = NewEntry(kind=kind, **{"client_id": "-", **fields})
        if "client_id" not in fields:
            entry = self._identities.named(entry)
        without = (EntryKind.REVISION, EntryKind.COUNT)
        if entry.shift is None and entry.target is None and kind not in without:
            raise InvalidValueError("shift", "be given", "")
        check_form(entry, self._now)
        return entry


def _read_cause(field: str, text: str) -> RulingCause | None:
    """Read a cause: one of the list, or that there was no such list yet."""
    return None if text == NO_CAUSE else read_word(field, text, RulingCause)


def _as_written(_field: str, text: str) -> str:
    return text
