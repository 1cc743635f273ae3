"""The client: a method for each thing that the API offers."""

from __future__ import annotations

import io
import json
import ssl
import time
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager
from datetime import datetime
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import Any, TypeVar

import httpx

from trialog.client.data import (
    Cell,
    Counted,
    Entry,
    Logbook,
    Myself,
    NewLine,
    Person,
    Requirement,
    Shift,
    Taken,
    Trial,
    read,
)
from trialog.client.transport import Transport

MOST_LINES = 5000
"""How many lines one request takes; more are sent in several."""

LARGEST_BODY = 8_000_000
"""Bytes of one request with lines; the server takes 8 MiB."""

PAGE = 1000

IMPORT_PATIENCE = 900.0
"""Seconds; a file of half a million lines is written in one transaction."""

T = TypeVar("T")


class Client:
    """A server's records and reports, by a client's token.

    `ca` is a file with the certificate of the shop's own authority, where the server has one.
    Requests that may succeed later are sent again, with growing waits; none is written twice.
    """

    def __init__(
        self,
        server: str,
        token: str,
        *,
        ca: Path | None = None,
        transport: httpx.BaseTransport | None = None,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        verify = True if ca is None else ssl.create_default_context(cafile=ca)
        self._transport = Transport(server, token, verify=verify, transport=transport, sleep=sleep)

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the connections."""
        self._transport.close()

    def whoami(self) -> Myself:
        """Return who I am: whether the token works, what it opens, and until when."""
        return self._one(Myself, "/client")

    def cells(self, *, name: str | None = None) -> Iterator[Cell]:
        """Go through the cells, or the one of a name."""
        return self._all(Cell, "/cells", name=name)

    def cell(self, cell: int) -> Cell:
        """Return a cell."""
        return self._one(Cell, f"/cells/{cell}")

    def requirements(self, cell: int) -> list[Requirement]:
        """Return what "ready" means for a cell."""
        told = self._transport.send("GET", f"/cells/{cell}/requirements").json()
        return [read(Requirement, one) for one in told["items"]]

    def people(self) -> Iterator[Person]:
        """Go through the people whom lines may name."""
        return self._all(Person, "/people")

    def shifts(self, cell: int) -> Iterator[Shift]:
        """Go through a cell's shifts."""
        return self._all(Shift, f"/cells/{cell}/shifts")

    def shift(self, shift: int) -> Shift:
        """Return a shift."""
        return self._one(Shift, f"/shifts/{shift}")

    def trials(self, *, cell: int | None = None, name: str | None = None) -> Iterator[Trial]:
        """Go through the trials, of one cell or of all, or the one of a name."""
        return self._all(Trial, "/trials", cell=cell, name=name)

    def trial(self, trial: int) -> Trial:
        """Return a trial."""
        return self._one(Trial, f"/trials/{trial}")

    def verdict(self, trial: int, *, time_zone: str | None = None) -> dict[str, Any]:
        """Say how a trial stands, with the documented keys."""
        query = {"time_zone": time_zone}
        told: dict[str, Any] = self._transport.send(
            "GET", f"/trials/{trial}/verdict", query=query
        ).json()
        return told

    def report(
        self,
        kind: str,
        subject: int | None = None,
        *,
        form: str = "json",
        language: str | None = None,
        paper: str | None = None,
        table: str | None = None,
        time_zone: str | None = None,
    ) -> bytes:
        """Return a report: kind shift, trial, evidence, cell or fleet, in any of its forms."""
        path = "/fleet/report" if kind == "fleet" else f"/{_REPORTS[kind].format(subject)}"
        query = {
            "format": form, "language": language, "paper": paper, "table": table,
            "time_zone": time_zone,
        }  # fmt: skip
        return self._transport.send("GET", path, query=query).content

    def report_tables(
        self,
        kind: str,
        subject: int | None = None,
        *,
        language: str | None = None,
        time_zone: str | None = None,
    ) -> Iterator[tuple[str, bytes]]:
        """Go through all tables of a report as CSV: the name of each file, and what it holds."""
        content = self.report(kind, subject, form="zip", language=language, time_zone=time_zone)
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            for name in archive.namelist():
                yield PurePosixPath(name).name, archive.read(name)

    def logbook(self, cell: int) -> Logbook:
        """Say how long a cell's logbook is."""
        return self._one(Logbook, f"/cells/{cell}/logbook")

    def entries(
        self,
        cell: int,
        *,
        shift: int | None = None,
        kind: str | None = None,
        newest_first: bool = False,
    ) -> Iterator[Entry]:
        """Go through the lines of a cell's logbook, page by page."""
        order = "newest" if newest_first else "oldest"
        return self._all(Entry, f"/cells/{cell}/entries", shift=shift, kind=kind, order=order)

    def export(self, cell: int) -> AbstractContextManager[Iterator[bytes]]:
        """Read a cell's whole logbook as CSV, piece by piece: `with client.export(1) as pieces`."""
        return self._transport.stream(f"/cells/{cell}/log.csv")

    def add_entries(
        self, cell: int, lines: Iterable[NewLine], *, if_match: str | None = None
    ) -> list[Taken]:
        """Write lines, and return what became of each, in their order.

        More than 5,000, or than 8 MB of them, go in several requests. Sending lines again is safe.
        With `if_match`, the entity tag of a `Logbook`, nothing is written if somebody else has
        written since; all lines go in one request then, so there may be at most 5,000.

        Raises
        ------
        ChangedMeanwhileError
            If somebody has.
        """
        left, taken = iter(lines), list[Taken]()
        if if_match is not None:
            return self._add(cell, list(left), if_match)
        while batch := list(islice(left, MOST_LINES)):
            for part in _parts(batch):
                taken += self._add(cell, part, None)
        return taken

    def import_log(
        self, cell: int, content: bytes, *, good_lines_only: bool = False, dry_run: bool = False
    ) -> dict[str, Any]:
        """Import a CSV file into a cell's logbook, and say with the documented keys what it did.

        All of it is written, or nothing; `rejected` names lines by their numbers. Sending a file
        again is safe: lines that are there are `repeated`.
        """
        told: dict[str, Any] = self._transport.send(
            "POST",
            f"/cells/{cell}/log.csv",
            query={"good_lines_only": good_lines_only or None, "dry_run": dry_run or None},
            content=content,
            headers={"Content-Type": "text/csv"},
            patience=IMPORT_PATIENCE,
        ).json()
        return told

    def count_part(
        self, cell: int, pulse: str, *, at: datetime | None = None, state: str | None = None
    ) -> Counted:
        """Say that a cell's machine made one part more. `pulse` is an id of your own, used once."""
        return self._count(cell, {"pulse": pulse}, at, state)

    def count_total(
        self, cell: int, total: int, id: str, *, at: datetime | None = None,
        state: str | None = None,
    ) -> Counted:  # fmt: skip
        """Say how far a cell's machine has counted. `id` is one of your own, used once."""
        return self._count(cell, {"total": total, "id": id}, at, state)

    def _count(
        self, cell: int, said: dict[str, Any], at: datetime | None, state: str | None
    ) -> Counted:
        # Without a time the server takes its own, also when this is sent again: the first counts.
        body = said | {"at": None if at is None else at.isoformat(), "state": state}
        return read(
            Counted, self._transport.send("POST", f"/cells/{cell}/counter", json=body).json()
        )

    def _add(self, cell: int, batch: list[NewLine], if_match: str | None) -> list[Taken]:
        answer = self._transport.send(
            "POST",
            f"/cells/{cell}/entries",
            json={"entries": batch},
            headers=None if if_match is None else {"If-Match": if_match},
            # What was written the first time would make a second try say "changed meanwhile".
            safe_to_repeat=if_match is None,
        )
        return [read(Taken, one) for one in answer.json()["entries"]]

    def _one(self, kind: type[T], path: str) -> T:
        return read(kind, self._transport.send("GET", path).json())

    def _all(self, of: type[T], path: str, /, **query: Any) -> Iterator[T]:
        wanted: Mapping[str, Any] = {"limit": PAGE, **query}
        while True:
            told = self._transport.send("GET", path, query=wanted).json()
            yield from (read(of, one) for one in told["items"])
            if told["next"] is None:
                return
            wanted = {**wanted, "cursor": told["next"]}


_REPORTS = {
    "shift": "shifts/{}/report",
    "trial": "trials/{}/report",
    "evidence": "trials/{}/evidence",
    "cell": "cells/{}/report",
}


def _parts(batch: list[NewLine]) -> Iterator[list[NewLine]]:
    """Halve lines until each part fits a request; one that is too long alone is the server's."""
    if len(batch) == 1 or len(json.dumps(batch)) <= LARGEST_BODY:
        yield batch
        return
    half = len(batch) // 2
    yield from _parts(batch[:half])
    yield from _parts(batch[half:])
