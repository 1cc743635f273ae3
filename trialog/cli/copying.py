"""`database move`, `backup` and `restore`: all records, from one place to another."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from sqlalchemy import Engine, make_url

from trialog.cli.output import json_option, show_json
from trialog.cli.places import Place, engine_on, place_options
from trialog.errors import ConflictError
from trialog.records import copying
from trialog.records.copying import Moved
from trialog.records.database import make_sessions
from trialog.records.verify import verify
from trialog.reports.words import counted

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

file_path = click.Path(dir_okay=False, path_type=Path)


class _Bar:
    """A progress bar that is made once somebody knows how much there is."""

    def __init__(self, label: str) -> None:
        self._label = label
        self._bar: ProgressBar[int] | None = None

    def begin(self, total: int) -> None:
        """Begin to show how much of so much is done."""
        self.end()
        self._bar = click.progressbar(length=total, label=self._label, file=sys.stderr)
        self._bar.__enter__()

    def progress(self, done: int) -> None:
        """Show that so much more is done."""
        if self._bar is not None:
            self._bar.update(done)

    def end(self) -> None:
        """Let the terminal go on in a line of its own."""
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
            self._bar = None


@contextmanager
def _bar(label: str) -> Iterator[_Bar]:
    bar = _Bar(label)
    try:
        yield bar
    finally:
        bar.end()


@click.command()
@click.option("--to", "target", required=True, metavar="URL", help="The database to move to.")
@place_options
@json_option
def move(target: str, place: Place, as_json: bool) -> None:
    """Copy all records into an empty database, and verify them there; the old one stays.

    Stop "trialog serve" first. A move that was interrupted goes on where it was when the same
    command is run again. Exit code 1 if the records are not what the logbook says.

    Example: trialog database move --to postgresql://trialog@localhost/trialog
    """
    with engine_on(place.url) as source, engine_on(target) as into, _bar("Moving") as bar:
        moved = copying.move(source, into, begin=bar.begin, progress=bar.progress)
        shown_target = into.url.render_as_string(hide_password=True)
    if as_json:
        show_json({"to": shown_target, **_facts(moved)})
    else:
        click.echo(f"{_said(moved)} are in {shown_target} now, the same as before.")
        click.echo("Next: set TRIALOG_DATABASE_URL to it for trialog serve and for commands.")
        click.echo(f"Keep the old database until then, and nobody writes to it: {_hidden(place)}")
    _end_on(moved)


@click.command()
@click.argument("file", required=False, type=file_path)
@click.option(
    "--to",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Folder for a file named after the moment (default: backups in the data folder).",
)
@click.option(
    "--keep",
    type=click.IntRange(min=1),
    metavar="N",
    help="Afterwards remove the oldest such files of these records in the folder beyond N.",
)
@click.option("--with-keys", is_flag=True, help="Add the data folder's secret and TLS keys.")
@click.option("--verify", "check", is_flag=True, help="Verify the copy before it is packed.")
@place_options
@json_option
def backup(
    *,
    file: Path | None,
    folder: Path | None,
    keep: int | None,
    with_keys: bool,
    check: bool,
    place: Place,
    as_json: bool,
) -> None:
    """Write all records of this moment into one file, while logging goes on.

    Example: trialog backup --to /mnt/backups --keep 30
    """
    if file is not None and (folder is not None or keep is not None):
        raise click.UsageError("FILE stands alone: --to and --keep are for a folder of backups.")
    now = datetime.now(UTC)
    into = folder or place.data_folder / "backups"
    path = file or into / copying.backup_name(now)
    keys = copying.keys_of(place.data_folder) if with_keys else {}
    with engine_on(place.url) as source, _bar("Backing up") as bar:
        made = copying.back_up(
            source, path, now=now, keys=keys, begin=bar.begin, progress=bar.progress,
            check=_require_verified if check else lambda _engine: None,
        )  # fmt: skip
    copying.clear_stale(place.data_folder)  # where a restore works
    # The clock is read again: another backup that was made meanwhile is none of a wrong clock.
    gone = copying.drop_old(made, keep, now=datetime.now(UTC)) if keep else []
    if as_json:
        lines = made.manifest.counts["entry"]
        show_json(
            {"file": str(path), "bytes": path.stat().st_size, "lines": lines,
             "schema": made.manifest.schema, "removed": [str(one) for one in gone]}
        )  # fmt: skip
    else:
        click.echo(f"{_amount(made.manifest.counts)} are in {path}.")
        for one in gone:
            click.echo(f"Removed {one}.")


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--with-keys", is_flag=True, help="Put the backup's keys into the data folder too.")
@place_options
@json_option
def restore(file: Path, with_keys: bool, place: Place, as_json: bool) -> None:
    """Put the records of a backup into an empty database, and verify them there.

    A backup of an older version is brought up to date. Where its records are there already, and
    unchanged, --with-keys puts the keys alone. Exit code 1 if the records are not what the
    logbook says.

    Example: trialog restore /mnt/backups/trialog-20260302T140000Z.zip
    """
    with (
        engine_on(place.url) as into,
        copying.unpack(file, place.data_folder) as (source, manifest),
        _bar("Restoring") as bar,
    ):
        # What may be wrong with the keys must show before anything is written.
        keys = copying.read_keys(file) if with_keys else {}
        moved = copying.find_restored(source, into) if with_keys else None
        if moved is None:
            moved = copying.move(source, into, begin=bar.begin, progress=bar.progress)
    put = copying.put_keys(keys, place.data_folder)
    if as_json:
        show_json({"made_at": manifest.made_at, "keys": put, **_facts(moved)})
    else:
        click.echo(f"{_said(moved)} of {manifest.made_at} are in {_hidden(place)} again.")
        for name in put:
            click.echo(f"Put {name} into the data folder.")
    _end_on(moved)


def _require_verified(engine: Engine) -> None:
    with make_sessions(engine)() as session:
        found = verify(session)
    if found:
        raise ConflictError(
            f"the records are not what the logbook says ({len(found)} differences; run trialog "
            "verify); a backup without --verify keeps them as they are"
        )


def _hidden(place: Place) -> str:
    return make_url(place.url).render_as_string(hide_password=True)


def _amount(counts: Any) -> str:
    return f"{counted(counts['entry'], 'line')} and {counted(counts['audit_event'], 'audit event')}"


def _said(moved: Moved) -> str:
    return _amount(moved.moment.counts)


def _facts(moved: Moved) -> dict[str, Any]:
    found = [{"where": item.where, "what": item.what} for item in moved.differences]
    counts = moved.moment.counts
    lines, events = counts["entry"], counts["audit_event"]
    return {"lines": lines, "events": events, "differences": found}


def _end_on(moved: Moved) -> None:
    """End with exit code 1 where the records were spoiled before they were copied."""
    for item in moved.differences:
        click.echo(f"{item.where}: {item.what}", err=True)
    if moved.differences:
        sys.exit(1)
