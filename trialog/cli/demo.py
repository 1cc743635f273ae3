"""`demo`: a fresh embedded database with the invented scenario, served."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from sqlalchemy.orm import Session

from trialog.cli.places import engine_on
from trialog.cli.serving import host_option, https_options, port_option, run_app
from trialog.feeds.demo import demo_people, load_demo, log_lines, make_fresh_folder
from trialog.records import schema
from trialog.records.database import data_folder, embedded_url, unit_of_work
from trialog.web.server import listen
from trialog.web.settings import load_settings


@click.command()
@click.option(
    "--folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Folder of the demo, made anew each time (default: demo in the data folder).",
)
@host_option
@port_option
@https_options
@click.option("--no-serve", is_flag=True, help="Load the data and end.")
def demo(
    *,
    folder: Path | None,
    host: str | None,
    port: int | None,
    https: Mapping[str, Any],
    qr: bool,
    no_serve: bool,
) -> None:
    """Load three invented weeks of shifts into a fresh embedded database, and serve it.

    Example: trialog demo --port 8765
    """
    folder = folder or data_folder() / "demo"
    url = embedded_url(folder)
    config: dict[str, Any] = {
        "DATABASE_URL": url,
        "DATA_FOLDER": folder,
        "HOST": host,
        "PORT": port,
    }
    config |= https
    config |= {"SMTP_HOST": "", "WEBHOOK_URL": ""}  # what is invented is told to nobody
    # Who tries it has its addresses and PINs on this terminal, and shall find them there.
    config["LOG_LEVEL"] = os.environ.get("TRIALOG_LOG_LEVEL", "warning")
    if not no_serve:
        _require_port(config)
    make_fresh_folder(folder)
    _load(url)
    click.echo(f"Everything in it is invented. Sign in as one of:\n{_people_in_words()}")
    if no_serve:
        click.echo(f"The demo is in {folder}.")
    else:
        run_app(config, before="The demo is at ", qr=qr)


def _require_port(config: Mapping[str, Any]) -> None:
    """Refuse a taken port, or a setting that breaks its rule, before anything is cleared away."""
    settings = load_settings({**config, "SECRET_KEY": "none is needed for this"})
    listen(settings.host, settings.port).close()
    if settings.tls and settings.trust_port:
        listen(settings.host, settings.trust_port, option="--trust-port").close()


def _load(url: str) -> None:
    with engine_on(url) as engine:
        schema.upgrade(engine)
        with Session(engine) as session, unit_of_work(session):
            lines = len(log_lines()) - 1
            with click.progressbar(length=lines, label="Loading three weeks of shifts") as bar:
                for loaded in load_demo(session, now=datetime.now(UTC)):
                    bar.update(loaded)


def _people_in_words() -> str:
    people = demo_people()
    width = max(len(person.name) for person in people)
    return "\n".join(
        f"  {person.name:{width}}  {person.role:8}  PIN {person.pin}" for person in people
    )
