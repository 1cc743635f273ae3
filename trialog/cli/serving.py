"""`serve`: the web application on a real WSGI server, until somebody stops it."""

from __future__ import annotations

import functools
import gc
import logging
import platform
import signal
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from types import FrameType
from typing import Any

import click
from flask import Flask

from trialog import __version__
from trialog.cli.announcing import announce_https
from trialog.cli.places import Place, place_options, reachable
from trialog.cli.units import UNITS, service_of
from trialog.notices import sending
from trialog.web import create_app
from trialog.web.database import state
from trialog.web.ending import Ending, ending_of
from trialog.web.health.checks import health_of
from trialog.web.journal import keep_journal
from trialog.web.journal.forms import FACTS
from trialog.web.notices.posting import post_of
from trialog.web.server import serve as serve_app
from trialog.web.settings import DEFAULT_HOST, DEFAULT_PORT
from trialog.web.tls.serving import serve_tls

_log = logging.getLogger(__name__)

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


def https_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of HTTPS, as its arguments `https` (settings) and `qr`."""

    @click.option(
        "--tls/--no-tls", default=None, help="Serve HTTPS with this server's own certificate."
    )
    @click.option(
        "--tls-name",
        "names",
        multiple=True,
        metavar="NAME",
        help="One more name or address that tablets use for this computer; repeatable.",
    )
    @click.option(
        "--trust-port",
        type=click.IntRange(0, 65535),
        metavar="PORT",
        help="Plain port of the page that tells how to trust it; 0: none (default: port + 1).",
    )
    @click.option("--qr", is_flag=True, help="Print that page's QR code into a file or pipe too.")
    @functools.wraps(command)
    def with_https(
        *args: Any,
        tls: bool | None,
        names: tuple[str, ...],
        trust_port: int | None,
        **options: Any,
    ) -> None:
        https = {"TLS": tls, "TLS_NAMES": names or None, "TRUST_PORT": trust_port}
        command(*args, https=https, **options)

    return with_https


@click.command()
@host_option
@port_option
@https_options
@click.option(
    "--print-unit",
    type=click.Choice(list(UNITS)),
    help="Print a systemd unit, or a container file, that serves with these options, and end.",
)
@place_options
@click.pass_context
def serve(
    context: click.Context,
    *,
    host: str | None,
    port: int | None,
    https: Mapping[str, Any],
    qr: bool,
    print_unit: str | None,
    place: Place,
) -> None:
    """Serve the web application until Ctrl-C.

    Refuses a database whose schema is behind; "trialog database upgrade" brings it up to date.
    On a shop network add --tls: over plain HTTP tablets cannot work without a network.

    Example: trialog serve --host 0.0.0.0 --port 8765 --tls
    """
    config = {"DATABASE_URL": place.url, "DATA_FOLDER": place.folder, "HOST": host, "PORT": port}
    if print_unit is not None:
        click.echo(UNITS[print_unit](service_of(context, {**config, **https})), nl=False)
        return
    run_app({**config, **https}, before="trialog serves at ", qr=qr)


def run_app(config: Mapping[str, Any], *, before: str, qr: bool) -> None:
    """Serve an app with these settings until it is interrupted; `before` opens the announcement."""
    with reachable(str(config["DATABASE_URL"])):
        app = create_app(config)
    settings = state(app).settings
    # What is loaded by now lives as long as the server. To look through all of it for garbage,
    # again and again, would cost a request up to a tenth of a second.
    gc.collect()
    gc.freeze()
    try:
        with (
            keep_journal(settings.log_format, settings.log_level),
            ending_on_signals(ending_of(app)),
            sending(post_of(app)) as worker,
        ):
            health_of(app).watch_worker(worker)
            _log.info("starting", extra={FACTS: _about(app)})
            if settings.tls:
                serve_tls(app, settings, announce=lambda trust: announce_https(trust, before, qr))
            else:
                serve_app(app, settings.host, settings.port, announce=_announcer(before))
            _log.info("stopped")
    finally:
        state(app).dispose()
    click.echo("Stopped.")


def _about(app: Flask) -> dict[str, str]:
    kind = state(app).engine.dialect.name
    return {"version": __version__, "python": platform.python_version(), "database": kind}


def _announcer(before: str) -> Callable[[str], None]:
    return lambda url: click.echo(f"{before}{url}\nStop it with Ctrl-C.")


@contextmanager
def ending_on_signals(ending: Ending) -> Iterator[None]:
    """Let SIGTERM and Ctrl-C end what serves: requests under way are answered first.

    Where nothing serves yet or any more, and when it comes a second time, it ends what runs.
    """

    def end(_number: int, _frame: FrameType | None) -> None:
        if not ending.ask():
            raise KeyboardInterrupt

    before = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    except KeyboardInterrupt:
        pass
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
