"""`doctor`: look at an installation as a colleague would, and say what to do."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import click
from sqlalchemy.exc import ArgumentError

from trialog.cli.doctor import computer, outside, records
from trialog.cli.doctor.findings import Finding, Level, ok, wrong
from trialog.cli.output import json_option, show_json
from trialog.cli.places import Place, place_options
from trialog.errors import InvalidValueError
from trialog.records.database import make_engine
from trialog.records.disk import embedded_file
from trialog.records.schema import UPGRADE_COMMAND
from trialog.reports.words import counted
from trialog.web.settings import Settings, load_settings


@click.command()
@click.option(
    "--backups",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Folder of the backups; their age is looked at.",
)
@place_options
@json_option
def doctor(*, backups: Path | None, place: Place, as_json: bool) -> None:
    """Look at this installation and say what is wrong, and what to do; changes and sends nothing.

    Run it as the user who runs the server. Exit code 1 if something is wrong.

    Example: trialog doctor --backups /mnt/backups
    """
    found = list(_findings(place, backups, datetime.now(UTC)))
    counts = {level: sum(one.level is level for one in found) for level in Level}
    if as_json:
        show_json({"findings": [asdict(one) for one in found], **counts})
    else:
        width = max(len(one.name) for one in found)
        for one in found:
            click.echo(f"{one.level:5}  {one.name:{width}}  {one.says}")
            if one.do:
                click.echo(f"{'':5}  {'':{width}}  → {one.do}")
        click.echo(_sum(counts))
    if counts[Level.WRONG]:
        sys.exit(1)


def _sum(counts: dict[Level, int]) -> str:
    wrongs, looks = counts[Level.WRONG], counts[Level.LOOK]
    if not wrongs and not looks:
        return "All is well."
    return f"{counted(wrongs, 'thing')} wrong, {counted(looks, 'thing')} to look at."


def _findings(place: Place, backups: Path | None, now: datetime) -> Iterator[Finding]:
    yield from computer.software()
    settings = None
    try:
        settings = _settings(place)
        yield ok("settings", "each keeps its rule")
    except InvalidValueError as error:
        # Never the value: this is what somebody pastes into a mail.
        do = "Mend it; see the page on settings in the help."
        yield wrong("settings", f"{error.field} must {error.rule}", do)
    yield from computer.data_folder(place.data_folder)
    yield from computer.secret_key(place.data_folder)
    yield from computer.browser()
    if settings is not None:
        yield from computer.time_zone(settings, now)
        yield from outside.https(settings, now)
        yield from outside.notices(settings)
    yield from _of_database(place, now)
    yield from outside.backups(backups, now)


def _settings(place: Place) -> Settings:
    """Read the settings as the server would, and make no key."""
    key = os.environ.get("TRIALOG_SECRET_KEY") or "not looked at here"
    return load_settings(
        {"DATABASE_URL": place.url, "DATA_FOLDER": place.data_folder, "SECRET_KEY": key}
    )


def _of_database(place: Place, now: datetime) -> Iterator[Finding]:
    try:
        if (file := _missing_file(place.url)) is not None:
            yield wrong("database", f"{file} is not there", f"Run: {UPGRADE_COMMAND}")
            return
        engine = make_engine(place.url)
    except InvalidValueError as error:
        yield wrong("database", f"{error.field} must {error.rule}", "Mend TRIALOG_DATABASE_URL.")
        return
    try:
        yield from records.look_through(engine, now)
    finally:
        engine.dispose()


def _missing_file(url: str) -> Path | None:
    """Return the file of an embedded database that is not there: to open it would make it."""
    try:
        file = embedded_file(url)
    except ArgumentError:
        return None  # no URL at all, which is told with the rule that it breaks
    return None if file is None or file.exists() else file
