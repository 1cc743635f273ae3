"""`setup`, `import` and `export`: files in, files out."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import click
from sqlalchemy.exc import SQLAlchemyError

from trialog.cli.output import STDOUT, json_option, show_json, write_bytes, write_text
from trialog.cli.places import Place, place_options, records_at
from trialog.cli.servers import Server, anywhere_options, trial_named
from trialog.errors import InvalidValueError, TrialogError
from trialog.evidence import note_verdicts
from trialog.feeds import (
    ImportResult,
    export_csv,
    import_as_dict,
    import_csv,
    import_from_dict,
    preview,
)
from trialog.feeds.setup_file import load_setup
from trialog.feeds.tables import LARGEST_FILE
from trialog.notices import tell_verdicts
from trialog.records.database import unit_of_work
from trialog.records.queries import count_entries, find_trial

MOST_SHOWN = 50
"""Rejected lines that are printed; more would push the reason for the first off the screen."""

file_argument = click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
trial_option = click.option("--trial", required=True, metavar="NAME", help="Name of the trial.")


@click.command()
@file_argument
@place_options
@json_option
def setup(file: Path, place: Place, as_json: bool) -> None:
    """Set up people, cells, devices, requirements and trials from a TOML FILE.

    All of it is written, or nothing.

    Example: trialog setup cell.toml
    """
    content = _read(file)
    with records_at(place) as session, unit_of_work(session):
        result = load_setup(session, content, actor=None, now=datetime.now(UTC))
        if not (result.added or result.kept):
            raise InvalidValueError("setup file", "describe people or a cell", str(file))
        cell = None if result.cell is None else result.cell.name
    if as_json:
        show_json({"cell": cell, "added": result.added, "kept": result.kept})
    else:
        click.echo(result.in_words)


@click.command("import")
@file_argument
@trial_option
@click.option("--good-lines-only", is_flag=True, help="Leave out the lines with a fault.")
@click.option("--dry-run", is_flag=True, help="Say what would be done, and write nothing.")
@anywhere_options
@json_option
def import_log(
    *,
    file: Path,
    trial: str,
    good_lines_only: bool,
    dry_run: bool,
    place: Place,
    server: Server | None,
    as_json: bool,
) -> None:
    """Import a CSV FILE into the logbook of the trial's cell: all of it, or nothing.

    Example: trialog import log.csv --trial "Pull claw, by hand" --dry-run
    """
    content, options = _read(file), {"good_lines_only": good_lines_only, "dry_run": dry_run}
    if server is None:
        result = _import_here(place, trial, content, **options)
    else:
        with server.client() as client:
            cell = trial_named(client, trial).cell
            result = import_from_dict(client.import_log(cell, content, **options))
    if as_json:
        show_json(import_as_dict(result))
    else:
        _show_import(result, dry_run=dry_run)
    _show_rejected(result)
    if _refused(result, good_lines_only=good_lines_only):
        sys.exit(2)


def _import_here(
    place: Place, trial: str, content: bytes, *, good_lines_only: bool, dry_run: bool
) -> ImportResult:
    run = preview if dry_run else import_csv
    with records_at(place) as session, unit_of_work(session):
        cell = find_trial(session, trial).cell
        result = run(
            session, cell, content,
            actor=None, now=datetime.now(UTC), good_lines_only=good_lines_only,
        )  # fmt: skip
    if result.written and not dry_run:
        _note_verdicts(place, trial)
    return result


def _note_verdicts(place: Place, trial: str) -> None:
    """Note what an import made of the verdicts; what was imported stands whatever comes of it."""
    try:
        with records_at(place) as session, unit_of_work(session):
            now = datetime.now(UTC)
            changes = note_verdicts(session, find_trial(session, trial).cell, now=now)
            tell_verdicts(session, changes, now=now)
    except (SQLAlchemyError, TrialogError) as error:
        click.echo(f"The change of verdicts could not be noted: {error}", err=True)


@click.command()
@trial_option
@click.option(
    "-o", "--output", required=True, metavar="FILE", help="File to write; - is the standard output."
)
@anywhere_options
@json_option
def export(*, trial: str, output: str, place: Place, server: Server | None, as_json: bool) -> None:
    """Write the logbook of the trial's cell as a CSV file that import takes.

    Example: trialog export --trial "Pull claw, by hand" -o log.csv
    """
    if as_json and output == STDOUT:
        raise InvalidValueError("--json", "go with a file to write to", f"-o {STDOUT}")
    if server is None:
        with records_at(place) as session:
            cell = find_trial(session, trial).cell
            lines = count_entries(session, cell.id)
            write_text(output, export_csv(session, cell))
    else:
        with server.client() as client:
            of = trial_named(client, trial).cell
            lines = client.logbook(of).length
            with client.export(of) as pieces:
                write_bytes(output, pieces)
    if as_json:
        show_json({"trial": trial, "file": output, "lines": lines})
    elif output != STDOUT:
        click.echo(f"Wrote {lines:,} lines of the logbook to {output}.")


def _read(file: Path) -> bytes:
    try:
        with file.open("rb") as stream:
            return stream.read(LARGEST_FILE + 1)
    except OSError as error:
        raise InvalidValueError(
            "FILE", f"be one that can be read ({error.strerror or error})", str(file)
        ) from error


def _show_import(result: ImportResult, *, dry_run: bool) -> None:
    lead = "Dry run, nothing is written. " if dry_run else ""
    click.echo(lead + result.in_words)
    for shift in result.shifts if result.written or dry_run else ():
        new = "new" if shift.new else "known"
        click.echo(
            f"  shift {shift.label} ({new}): {shift.added:,} lines added, "
            f"{shift.cycles:,} cycles, {shift.failed:,} failed"
        )


def _show_rejected(result: ImportResult) -> None:
    for line in result.rejected[:MOST_SHOWN]:
        click.echo(f"line {line.line}: {line.reason}: {line.text}", err=True)
    more = len(result.rejected) - MOST_SHOWN
    if more > 0:
        click.echo(f"and {more:,} more lines; --json lists all", err=True)


def _refused(result: ImportResult, *, good_lines_only: bool) -> bool:
    """Say whether a file is not taken: some lines have a fault, or no line is left."""
    return bool(result.rejected) and (not good_lines_only or result.added + result.repeated == 0)
