"""`reports` and `report kept`: the reports that were kept, and making those that are due."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterator, Sequence
from datetime import tzinfo
from typing import Any, cast

import click
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from trialog.cli.auditing import read_day
from trialog.cli.output import json_option, output_option, show_json
from trialog.cli.places import Place, place_options, records_at
from trialog.cli.reading import zone_option
from trialog.cli.reporting import (
    form_option,
    language_option,
    paper_option,
    table_option,
    target_of,
    write_content,
)
from trialog.errors import UnknownNameError
from trialog.records.audit_log import days
from trialog.records.base import LARGEST_ID
from trialog.records.database import make_sessions
from trialog.records.kept import (
    DueLine,
    KeptFilter,
    KeptLine,
    count_due,
    count_kept,
    find_kept,
    list_due,
    list_kept,
)
from trialog.records.models import Cell
from trialog.records.words import ReportKind
from trialog.reports.document import Paper
from trialog.reports.keeping import Keeper, keep_due, kept_document
from trialog.reports.kinds import render
from trialog.reports.plain import plain
from trialog.reports.words import counted, moment
from trialog.web.settings import read_zone

MOST = 1_000_000


@click.command()
@click.option("--make", is_flag=True, help="First make the reports that are due.")
@click.option("--cell", metavar="NAME", help="Only those of the cell with that name.")
@click.option(
    "--kind",
    type=click.Choice([str(kind) for kind in ReportKind]),
    help="Only those of shifts, or the dossiers of trials.",
)
@click.option("--from", "first", metavar="DAY", help="Day of the first shift or signature.")
@click.option("--to", "last", metavar="DAY", help="Day of the last.")
@click.option(
    "--most",
    type=click.IntRange(1, MOST),
    default=50,
    show_default=True,
    metavar="N",
    help="How many are listed.",
)
@language_option("The language of those that are made")
@zone_option
@place_options
@json_option
def reports(
    *,
    make: bool,
    cell: str | None,
    kind: str | None,
    first: str | None,
    last: str | None,
    most: int,
    language: str,
    time_zone: str,
    place: Place,
    as_json: bool,
) -> None:
    """List the reports that are kept, the newest first.

    With --make the exit code is 1 if a report could not be made.

    Example: trialog reports --cell "Lathe 4" --from 2026-03-01
    """
    zone = read_zone(time_zone)
    bounds = days(read_day("from", first), read_day("to", last), zone)
    with records_at(place) as session:
        which = KeptFilter(
            cell_id=None if cell is None else _cell(session, cell).id,
            kind=None if kind is None else ReportKind(kind),
            **bounds,
        )
        if make:
            _make(session, zone, language)
        lines, found = list_kept(session, which, most=most), count_kept(session, which)
        waiting, due = list_due(session, most=most), count_due(session)
    if as_json:
        show_json(_as_data(lines, waiting, zone))
    else:
        head = f"{counted(found, 'kept report')}, {due:,} due."
        shown = f" The newest {len(lines):,}:" if found > len(lines) else ""
        click.echo("\n".join([head + shown, *_in_words(lines, waiting, zone)]))
    if make and any(line.error for line in waiting):
        sys.exit(1)


@click.command()
@click.argument("report_id", metavar="ID", type=click.IntRange(1, LARGEST_ID))
@form_option
@table_option
@paper_option
@output_option
@place_options
@json_option
def report_kept(
    *,
    report_id: int,
    form: str,
    table: str | None,
    paper: Paper,
    output: str | None,
    place: Place,
    as_json: bool,
) -> None:
    """Write the kept report with that ID, as it was when it was made.

    Example: trialog report kept 12 --format pdf -o shift.pdf
    """
    form = "json" if as_json else form
    target = target_of(form, output)
    with records_at(place) as session:
        document = kept_document(session, find_kept(session, report_id))
    write_content(target, render(document, form, paper=paper, table=table).content)


def _cell(session: Session, name: str) -> Cell:
    found = session.scalar(select(Cell).where(Cell.name == name))
    if found is None:
        raise UnknownNameError("cell", "be one of the records", name)
    return found


def _make(session: Session, zone: tzinfo, language: str) -> None:
    """Make what is due from here: no server needs to run for it."""
    # What fails is listed with its reason; its trace would hide the list.
    logging.getLogger("trialog.reports.keeping").addHandler(logging.NullHandler())
    sessions = make_sessions(cast(Engine, session.get_bind()))
    keep_due(Keeper(sessions=sessions, zone=zone, language=language))
    session.rollback()  # what was read before is old


def _as_data(lines: Sequence[KeptLine], waiting: Sequence[DueLine], zone: tzinfo) -> dict[str, Any]:
    return {
        "reports": [plain(line, zone) for line in lines],
        "due": [plain(line, zone) for line in waiting],
    }


def _in_words(lines: Sequence[KeptLine], waiting: Sequence[DueLine], zone: tzinfo) -> Iterator[str]:
    yield from (_line_in_words(line, zone) for line in lines)
    yield from (_due_in_words(line, zone) for line in waiting)


def _line_in_words(line: KeptLine, zone: tzinfo) -> str:
    version = f", version {line.version}" if line.version > 1 else ""
    replaced = "" if line.replaced_at is None else f", replaced {moment(line.replaced_at, zone)}"
    return (
        f"  {line.id:>5}  {moment(line.about_at, zone)}  {line.title}{version}{replaced}\n"
        f"         {line.sentence}"
    )


def _due_in_words(line: DueLine, zone: tzinfo) -> str:
    words = f"    due  {moment(line.next_try_at, zone)}  {line.title}"
    return f"{words}\n         tries: {line.tries}; {line.error}" if line.error else words
