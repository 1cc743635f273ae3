"""What a report is once it is made: everything that any of its forms needs, and nothing behind it.

A document knows no database. It can be kept, and turned into any form later.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any, Literal, get_args

from trialog.errors import InvalidValueError
from trialog.reports.tables import Table

Paper = Literal["a4", "letter"]
PAPERS: tuple[Paper, ...] = get_args(Paper)


@dataclass(frozen=True)
class Document:
    """A report in one language, as of one moment.

    `html` is the whole document but for the chart library and the rules that keep it from asking
    for anything (`documents.complete` puts them in). `data` is what JSON says, `stem` the name of
    its files without an ending, `about` the few words under the title.
    """

    kind: str
    stem: str
    title: str
    about: str
    sentence: str
    language: str
    produced_at: datetime
    clock: tzinfo
    zone: str
    html: str
    tables: tuple[Table, ...]
    data: dict[str, Any]
    cautions: tuple[str, ...]
    methods: tuple[str, ...]

    def table(self, name: str | None) -> Table:
        """Return the table of a name; without one the first, which is the report's main table.

        Raises `InvalidValueError` for a name that no table has.
        """
        for table in self.tables:
            if name in (None, table.name):
                return table
        names = ", ".join(table.name for table in self.tables)
        raise InvalidValueError("table", f"be one of this report's ({names})", name)


@dataclass(frozen=True)
class Options:
    """How a document is to be written: the paper of a PDF, the table of a file of values."""

    paper: Paper = "a4"
    table: str | None = None


@dataclass(frozen=True)
class File:
    """A document in one form."""

    name: str
    media_type: str
    content: bytes


def read_paper(value: str) -> Paper:
    """Return the paper of a name, or raise InvalidValueError."""
    for paper in PAPERS:
        if value.lower() == paper:
            return paper
    raise InvalidValueError("paper", f"be one of {', '.join(PAPERS)}", value)
