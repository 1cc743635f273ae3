"""Reports as commands want them: one made now or asked for, or every report there is."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from trialog.cli.output import write_bytes
from trialog.cli.places import Place, records_at
from trialog.cli.servers import Server
from trialog.client import Client
from trialog.records.database import read_one_moment
from trialog.reports.document import Document, File, Paper
from trialog.reports.kinds import FORMS, KINDS, Kind, json_text, make, render
from trialog.reports.printing import find_browser


@dataclass(frozen=True)
class Wanted:
    """How reports are wanted: language and zone, paper of a PDF."""

    language: str
    paper: Paper
    zone: ZoneInfo


def make_now(session: Session, kind: str, subject: Any, wanted: Wanted) -> Document:
    """Make a report of the records as they are now."""
    return make(
        session, kind, subject, now=datetime.now(UTC), zone=wanted.zone, language=wanted.language
    )


def ask(
    client: Client,
    kind: str,
    number: int | None,
    *,
    form: str,
    table: str | None,
    wanted: Wanted,
) -> bytes:
    """Have a server make a report."""
    content = client.report(
        kind, number, form=form, language=wanted.language, paper=wanted.paper, table=table,
        time_zone=wanted.zone.key,
    )  # fmt: skip
    return json_text(json.loads(content)).encode() if form == "json" else content


def write_all(source: Place | Server, folder: Path, forms: tuple[str, ...], wanted: Wanted) -> None:
    """Write every report of some records or of a server's, telling how far it got."""
    written = 0
    with _found(source, forms, wanted) as (count, documents):
        folder.mkdir(parents=True, exist_ok=True)
        bar = click.progressbar(documents, length=count, label="Reports", file=sys.stderr)
        with bar as files_of_each:
            for files in files_of_each:
                for file in files:
                    write_bytes(str(folder / file.name), [file.content])
                    written += 1
    click.echo(f"Wrote {written:,} file{'' if written == 1 else 's'} to {folder}.")


Found = tuple[int, Iterator[Iterator[File]]]
"""How many reports there are, and the files of each."""


def _found(
    source: Place | Server, forms: tuple[str, ...], wanted: Wanted
) -> AbstractContextManager[Found]:
    if isinstance(source, Server):
        return _of_server(source, forms, wanted)
    return _of_records(source, forms, wanted)


@contextmanager
def _of_records(place: Place, forms: tuple[str, ...], wanted: Wanted) -> Iterator[Found]:
    if "pdf" in forms:
        find_browser()  # rather now than after the first hundred documents
    with records_at(place) as session:
        read_one_moment(session)

        def documents() -> Iterator[Iterator[File]]:
            for document in _documents(session, wanted):
                yield _files(document, forms, wanted)
                session.expunge_all()  # a long record must not be held in memory as a whole

        yield _how_many(session), documents()


def _documents(session: Session, wanted: Wanted) -> Iterator[Document]:
    for kind in KINDS.values():
        for ident in _idents(session, kind):
            subject = None if kind.model is None else session.get(kind.model, ident)
            yield make_now(session, kind.name, subject, wanted)


def _idents(session: Session, kind: Kind) -> list[int | None]:
    """Return the ids of what there is a report of; None for a kind that is about all of it."""
    if kind.model is None:
        return [None]
    column = kind.model.__table__.c.id
    return list(session.scalars(select(column).order_by(column)))


def _how_many(session: Session) -> int:
    models = [kind.model for kind in KINDS.values()]
    return sum(
        1 if model is None else session.scalar(select(func.count()).select_from(model)) or 0
        for model in models
    )


def _files(document: Document, forms: tuple[str, ...], wanted: Wanted) -> Iterator[File]:
    """Yield the files of a document; as CSV there is one for each table."""
    for form in forms:
        if form != "csv":
            yield render(document, form, paper=wanted.paper)
            continue
        for table in document.tables:
            file = render(document, form, table=table.name)
            yield File(f"{document.stem}-{table.name}.csv", file.media_type, file.content)


@contextmanager
def _of_server(server: Server, forms: tuple[str, ...], wanted: Wanted) -> Iterator[Found]:
    with server.client() as client:
        subjects = _subjects(client)
        yield (
            len(subjects),
            (_asked(client, kind, number, forms, wanted) for kind, number in subjects),
        )


def _subjects(client: Client) -> list[tuple[str, int | None]]:
    """Return the kind and number of every report that a client may read, as the records go."""
    cells = sorted(cell.id for cell in client.cells())
    shifts = sorted(shift.id for cell in cells for shift in client.shifts(cell))
    trials = sorted(trial.id for trial in client.trials())
    fleet = [None] if client.whoami().cell is None else []
    of: Mapping[str, Sequence[int | None]] = {
        "shift": shifts, "trial": trials, "evidence": trials, "cell": cells, "fleet": fleet,
    }  # fmt: skip
    return [(kind, number) for kind in KINDS for number in of[kind]]


def _asked(
    client: Client, kind: str, number: int | None, forms: tuple[str, ...], wanted: Wanted
) -> Iterator[File]:
    """Yield the files of a server's report, under the names that they have here."""
    stem = kind if number is None else f"{kind}-{number}"
    for form in forms:
        media_type = FORMS[form].media_type
        if form != "csv":
            content = ask(client, kind, number, form=form, table=None, wanted=wanted)
            yield File(f"{stem}.{form}", media_type, content)
            continue
        tables = client.report_tables(
            kind, number, language=wanted.language, time_zone=wanted.zone.key
        )
        for name, content in tables:
            yield File(name, media_type, content)
