"""Tables as reports hold them: typed values, and how each column's values are said.

One table serves the page, the printed document, the workbook and the file of raw values, so that
none of them can say anything else than the others.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from functools import cached_property
from typing import Literal

from trialog.errors import InvalidValueError
from trialog.reports import words

Value = str | int | float | datetime | None
"""What a table holds. A text stands as it is, also in a column of numbers ("any number")."""

Kind = Literal[
    "text", "count", "number", "number_up", "number_down", "rate", "rate_up", "rate_down",
    "chance", "share", "stretch", "length", "moment",
]  # fmt: skip
"""What a column's values are, which decides how they are rounded and said.

`count` is a whole number, `number` one that was worked out. `rate` is an estimate, `rate_up` an
upper bound, `rate_down` a limit or lower bound, all per cycle; `number_up` and `number_down` are
bounds likewise. `chance` is one that was asked for, `share` one that was worked out. `stretch` is a
proven one, in seconds, and rounded down; `length` a known one, in seconds.
"""

SAID: dict[str, Callable[..., str]] = {
    "count": words.number,
    "number": words.measured,
    "number_up": words.measured_up,
    "number_down": words.measured_down,
    "rate": words.rate,
    "rate_up": words.rate_up,
    "rate_down": words.rate_down,
    "chance": words.chance,
    "share": words.in_hundred,
    "stretch": words.stretch,
    "length": words.length,
}
"""How a number of each kind is said."""

BOUND, LIMIT = "upper", "limit"
"""Keys of an upper bound on a failure rate and of the limit that it is held against."""

NOTHING = "–"
"""What stands where there is no value, unless the column has a word for that."""


@dataclass(frozen=True)
class Column:
    """What a column holds. `missing` is said where it has no value.

    A page says the value of a column with an `aside` in small below that of the column before,
    and nothing where it is none, empty or 0; `{value}` in the aside is where its words go. A page
    leaves out a column that is not `on_page`.
    """

    key: str
    heading: str
    kind: Kind = "text"
    unit: str = ""
    missing: str = NOTHING
    aside: str = ""
    on_page: bool = True

    @property
    def title(self) -> str:
        """The heading, with the unit where there is one."""
        return f"{self.heading} ({self.unit})" if self.unit else self.heading

    @property
    def in_seconds(self) -> bool:
        """Whether the values are times in seconds, which their words do not give as such."""
        return self.kind in ("stretch", "length")

    @property
    def numeric(self) -> bool:
        """Whether the values are numbers."""
        return self.kind in SAID

    def in_words(self, value: Value, clock: tzinfo | None = None) -> str:
        """Say a value of this column; only a moment needs the clock, which is the shop's zone."""
        if value is None:
            return self.missing
        if isinstance(value, str):
            return value
        if isinstance(value, datetime):
            if clock is None:  # else it would be said in the zone of whatever computer this is
                raise InvalidValueError("clock", "be a time zone where there are moments", clock)
            return words.moment(value, clock)
        return SAID[self.kind](value)


@dataclass(frozen=True)
class Cell:
    """A value as a page shows it: its words, and the whole number behind rounded ones."""

    words: str
    value: Value
    column: Column
    asides: tuple[Cell, ...] = ()

    @property
    def whole(self) -> float | int | None:
        """The number that the words round; None where they say all of it."""
        number = isinstance(self.value, (int, float)) and self.column.numeric
        return self.value if number and self.column.kind != "count" else None  # type: ignore[return-value]


@dataclass(frozen=True)
class Table:
    """Rows of raw values under columns.

    `head` is the key of the column whose values name the rows; without, it is the first.
    `empty` says why there are no rows, where there are none. An `upright` table has one row, which
    is read downwards: a list of facts.
    """

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Value, ...], ...]
    head: str = ""
    empty: str = ""
    upright: bool = False

    def __post_init__(self) -> None:
        """Refuse a row that does not fit the columns, and a number in a column of words."""
        for row in self.rows:
            if len(row) != len(self.columns):
                raise InvalidValueError(
                    f"{self.name} row", f"have {len(self.columns)} values", len(row)
                )
            for column, value in zip(self.columns, row, strict=True):
                if not _fits(column, value):
                    raise InvalidValueError(
                        f"{self.name} {column.key}", f"be of kind {column.kind}", value
                    )

    @cached_property
    def shown(self) -> tuple[Column, ...]:
        """The columns that a page gives a place of their own."""
        return tuple(column for column in self.columns if column.on_page and not column.aside)

    @cached_property
    def head_place(self) -> int:
        """The place of the column that names the rows, among those shown."""
        keys = [column.key for column in self.shown]
        return keys.index(self.head) if self.head else 0

    def in_words(self, clock: tzinfo | None = None) -> tuple[tuple[str, ...], ...]:
        """Return the rows in words, times in the shop's zone."""
        return tuple(self._row_in_words(row, clock) for row in self.rows)

    def _row_in_words(self, row: tuple[Value, ...], clock: tzinfo | None) -> tuple[str, ...]:
        said = [
            column.in_words(value, clock) for column, value in zip(self.columns, row, strict=True)
        ]
        if self._held is not None:
            bound, limit = self._held
            pair = row[bound], row[limit]
            if isinstance(pair[0], float) and isinstance(pair[1], float):
                said[bound], said[limit] = words.bound_and_limit(pair[0], pair[1])
        return tuple(said)

    @cached_property
    def _held(self) -> tuple[int, int] | None:
        """Where a bound stands and the limit that it is held against, if the table has both.

        They are told with digits enough to show which is larger.
        """
        keys = [column.key for column in self.columns]
        return (keys.index(BOUND), keys.index(LIMIT)) if {BOUND, LIMIT} <= set(keys) else None

    def cells(self, clock: tzinfo | None = None) -> tuple[tuple[Cell, ...], ...]:
        """Return the rows as a page shows them: one cell for each of the columns shown."""
        return tuple(
            _fold(
                [
                    Cell(said, value, column)
                    for column, value, said in zip(self.columns, row, words_of_row, strict=True)
                    if column.on_page
                ]
            )
            for row, words_of_row in zip(self.rows, self.in_words(clock), strict=True)
        )


def _fold(cells: list[Cell]) -> tuple[Cell, ...]:
    """Put what is said aside into the cell before it."""
    folded: list[Cell] = []
    for cell in cells:
        aside = cell.column.aside
        if not aside:
            folded.append(cell)
        elif cell.value:
            words_aside = aside.format_map({"value": cell.words})
            said = Cell(words_aside, cell.value, cell.column)
            folded[-1] = replace(folded[-1], asides=(*folded[-1].asides, said))
    return tuple(folded)


def _fits(column: Column, value: Value) -> bool:
    if value is None or isinstance(value, str):
        return True
    if isinstance(value, datetime):
        return column.kind == "moment"
    return column.numeric and not isinstance(value, bool)
