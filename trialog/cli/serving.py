"""`serve`: the web application on a real WSGI server, until somebody stops it."""

from __future__ import annotations

import signal
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from types import FrameType
from typing import Any

import click

from trialog.cli.places import Place, place_options, reachable
from trialog.web import create_app
from trialog.web.database import state
from trialog.web.server import serve as serve_app
from trialog.web.settings import DEFAULT_HOST, DEFAULT_PORT

host_option = click.option(
    "--host",
    metavar="ADDRESS",
    help=f"Address to listen on (default: TRIALOG_HOST, or {DEFAULT_HOST}).",
)
port_option = click.option(
    "--port",
    type=click.IntRange(0, 65535),
    help=f"Port to listen on; 0 takes a free one (default: TRIALOG_PORT, or {DEFAULT_PORT}).",
)


@click.command()
@host_option
@port_option
@place_options
def serve(host: str | None, port: int | None, place: Place) -> None:
    """Serve the web application until Ctrl-C.

    Refuses a database whose schema is behind; "trialog database upgrade" brings it up to date.

    Example: trialog serve --host 0.0.0.0 --port 8765
    """
    config = {"DATABASE_URL": place.url, "DATA_FOLDER": place.folder, "HOST": host, "PORT": port}
    run_app(config, before="trialog serves at ")


def run_app(config: Mapping[str, Any], *, before: str) -> None:
    """Serve an app with these settings until it is interrupted; `before` opens the announcement."""
    with reachable(str(config["DATABASE_URL"])):
        app = create_app(config)
    settings = state(app).settings
    try:
        with ending_on_sigterm():
            serve_app(
                app,
                settings.host,
                settings.port,
                announce=lambda url: click.echo(f"{before}{url}\nStop it with Ctrl-C."),
            )
    finally:
        state(app).engine.dispose()
    click.echo("Stopped.")


@contextmanager
def ending_on_sigterm() -> Iterator[None]:
    """Let SIGTERM end what runs like Ctrl-C does: requests under way are answered first."""

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, interrupt)
    try:
        yield
    except KeyboardInterrupt:
        pass  # it came before or after the server's own loop, which ends by itself
    finally:
        signal.signal(signal.SIGTERM, before)
