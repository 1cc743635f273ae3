"""`report`: a report of each kind, in each form, one by one or all at once."""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
from sqlalchemy.orm import Session

from trialog.cli.all_reports import Wanted, ask, make_now, write_all
from trialog.cli.groups import LazyGroup
from trialog.cli.output import STDOUT, json_option, output_option, write_bytes
from trialog.cli.places import Place, records_at
from trialog.cli.reading import zone_option
from trialog.cli.servers import Server, anywhere_options, cell_named, trial_named
from trialog.client import Client
from trialog.errors import InvalidValueError, UnknownNameError
from trialog.languages import LANGUAGES
from trialog.records.base import LARGEST_ID
from trialog.records.database import read_one_moment
from trialog.records.models import Shift
from trialog.records.queries import find_cell, find_trial
from trialog.reports.document import PAPERS, Paper
from trialog.reports.kinds import FORMS, render
from trialog.web.settings import read_zone

READ_BY_PROGRAMS = ("json", "csv")
"""Forms that go to the standard output unless said otherwise."""

table_option = click.option(
    "--table", metavar="NAME", help="The table that CSV holds (default: the report's main one)."
)

paper_option = click.option(
    "--paper",
    type=click.Choice(PAPERS, case_sensitive=False),
    default="a4",
    show_default=True,
    help="The paper of a PDF.",
)
form_option = click.option(
    "--format",
    "form",
    type=click.Choice(tuple(FORMS)),
    default="html",
    show_default=True,
    help="A document, a PDF, a workbook, a table or data.",
)


def language_option(of_what: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Return the option that says in which language something is made."""
    return click.option(
        "--language",
        type=click.Choice(tuple(LANGUAGES)),
        envvar="TRIALOG_LANGUAGE",
        default="en",
        help=f"{of_what} (default: TRIALOG_LANGUAGE, or en).",
    )


def wanted_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that say how reports are wanted, as its argument `wanted`."""

    @language_option("The report's language")
    @paper_option
    @zone_option
    @functools.wraps(command)
    def wanting(*args: Any, language: str, paper: Paper, time_zone: str, **options: Any) -> None:
        command(*args, wanted=Wanted(language, paper, read_zone(time_zone)), **options)

    return wanting


def one_report(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command everything that the report of one thing is asked for with."""
    for option in (
        json_option, anywhere_options, wanted_options, output_option, table_option, form_option,
    ):  # fmt: skip
        command = option(command)
    return command


@click.group(
    cls=LazyGroup,
    lazy={
        "kept": "trialog.cli.kept:report_kept",
        "schema": "trialog.cli.schema:report_schema",
    },
    invoke_without_command=True,
)
@click.option("--all", "everything", is_flag=True, help="Write every report there is.")
@click.option(
    "-o",
    "--output",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Folder for all reports; made if it is not there.",
)
@click.option(
    "--format",
    "forms",
    type=click.Choice(tuple(FORMS)),
    multiple=True,
    default=("html",),
    show_default=True,
    help="A form of all reports; repeatable.",
)
@wanted_options
@anywhere_options
@click.pass_context
def report(
    context: click.Context,
    *,
    everything: bool,
    output: Path | None,
    forms: tuple[str, ...],
    wanted: Wanted,
    place: Place,
    server: Server | None,
) -> None:
    """Write the report of a shift, a trial, a cell or all cells, or every report at once.

    Example: trialog report --all -o reports --format html --format xlsx
    """
    if context.invoked_subcommand is not None:
        if everything:
            raise InvalidValueError("--all", "stand alone", context.invoked_subcommand)
        return
    if not everything:
        raise click.UsageError("Missing command, or --all.", context)
    if output is None:
        raise InvalidValueError("-o", "name the folder to write to", "")
    write_all(server or place, output, forms, wanted)


@report.command("shift")
@click.argument("shift_id", metavar="ID", type=click.IntRange(1, LARGEST_ID))
@one_report
def report_shift(*, shift_id: int, **options: Any) -> None:
    """Write the report of the shift with that ID (the number in its page's address).

    Example: trialog report shift 12 --format json
    """
    _write_one("shift", lambda session: _shift(session, shift_id), lambda _: shift_id, **options)


def _shift(session: Session, shift_id: int) -> Shift:
    shift = session.get(Shift, shift_id)
    if shift is None:
        raise UnknownNameError("shift", "be the id of a shift in the records", shift_id)
    return shift


@report.command("trial")
@click.argument("name")
@one_report
def report_trial(*, name: str, **options: Any) -> None:
    """Write the report of the trial with that NAME.

    Example: trialog report trial "Pull claw, by hand" --format pdf -o report.pdf
    """
    _write_of_trial("trial", name, **options)


@report.command("evidence")
@click.argument("name")
@one_report
def report_evidence(*, name: str, **options: Any) -> None:
    """Write what the evidence of the trial with that NAME rests on.

    Example: trialog report evidence "Pull claw, by hand" --format csv --table conditions
    """
    _write_of_trial("evidence", name, **options)


@report.command("cell")
@click.argument("name")
@one_report
def report_cell(*, name: str, **options: Any) -> None:
    """Write whether the cell with that NAME can be left alone, and for how long.

    Example: trialog report cell "Cell 5" --format pdf -o cell-5.pdf
    """
    _write_one(
        "cell",
        lambda session: find_cell(session, name),
        lambda client: cell_named(client, name).id,
        **options,
    )


@report.command("fleet")
@one_report
def report_fleet(**options: Any) -> None:
    """Write how all cells stand, those first that need somebody most.

    Example: trialog report fleet --format json
    """
    _write_one("fleet", lambda _: None, lambda _: None, **options)


def _write_of_trial(kind: str, name: str, **options: Any) -> None:
    _write_one(
        kind,
        lambda session: find_trial(session, name),
        lambda client: trial_named(client, name).id,
        **options,
    )


def _write_one(
    kind: str,
    subject: Callable[[Session], Any],
    number: Callable[[Client], int | None],
    *,
    form: str,
    output: str | None,
    table: str | None,
    wanted: Wanted,
    place: Place,
    server: Server | None,
    as_json: bool,
) -> None:
    """Write a report, made from the records or by a server.

    `subject` finds what it is about in the records, `number` at a server.
    """
    form = "json" if as_json else form
    target = target_of(form, output)
    if server is not None:
        with server.client() as client:
            content = ask(client, kind, number(client), form=form, table=table, wanted=wanted)
        write_content(target, content)
        return
    with records_at(place) as session:
        read_one_moment(session)
        made = make_now(session, kind, subject(session), wanted)
    write_content(target, render(made, form, paper=wanted.paper, table=table).content)


def target_of(form: str, output: str | None) -> str:
    """Return where a form goes; one that programs read to the standard output unless said so."""
    if output is None and form not in READ_BY_PROGRAMS:
        raise InvalidValueError("-o", "name the file to write, or - for the standard output", "")
    return output or STDOUT


def write_content(target: str, content: bytes) -> None:
    """Write a report, and say so where its text does not go the same way."""
    write_bytes(target, [content])
    if target != STDOUT:
        click.echo(f"Wrote {target}.")
