"""`serve`: the web application on a real WSGI server, until somebody stops it."""

from __future__ import annotations

import functools
import gc
import logging
import platform
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

import click
from flask import Flask

from trialog import __version__
from trialog.cli.announcing import announce_https, mention_feeds
from trialog.cli.places import Place, engine_on, place_options, reachable
from trialog.cli.signals import heeding_signals
from trialog.cli.units import UNITS, service_of
from trialog.errors import InvalidValueError
from trialog.garbage import no_search
from trialog.notices import sending
from trialog.records.schema import require_current
from trialog.web import create_app
from trialog.web.crew import Crew, SharedPorts, Work
from trialog.web.database import state
from trialog.web.ending import Ending, ending_of
from trialog.web.health.checks import health_of
from trialog.web.journal import keep_journal
from trialog.web.journal.forms import FACTS
from trialog.web.notices.posting import post_of
from trialog.web.server import listen
from trialog.web.server import serve as serve_app
from trialog.web.settings import (
    DEFAULT_HOST,
    DEFAULT_PORT,
    LAST_PORT,
    MOST_PROCESSES,
    Settings,
    load_settings,
)
from trialog.web.tls.serving import TRUST_OPTION, keeper_of, serve_tls, trust_port_of

_log = logging.getLogger(__name__)

host_option = click.option(
    "--host",
    metavar="ADDRESS",
    help=f"Address to listen on (default: TRIALOG_HOST, or {DEFAULT_HOST}).",
)
port_option = click.option(
    "--port",
    type=click.IntRange(0, LAST_PORT),
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
        type=click.IntRange(0, LAST_PORT),
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
    "--processes",
    type=click.IntRange(1, MOST_PROCESSES),
    help="How many processes serve together, on PostgreSQL (default: TRIALOG_PROCESSES, or 1).",
)
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
    processes: int | None,
    print_unit: str | None,
    place: Place,
) -> None:
    """Serve the web application until Ctrl-C.

    Refuses a database whose schema is behind; "trialog database upgrade" brings it up to date.
    On a shop network add --tls: over plain HTTP tablets cannot work without a network.

    Example: trialog serve --host 0.0.0.0 --port 8765 --tls
    """
    places = {"DATABASE_URL": place.url, "DATA_FOLDER": place.folder, "HOST": host, "PORT": port}
    config = {**places, **https, "PROCESSES": processes}
    if print_unit is not None:
        click.echo(UNITS[print_unit](service_of(context, config)), nl=False)
        return
    run_app(config, before="trialog serves at ", qr=qr)


def run_app(config: Mapping[str, Any], *, before: str, qr: bool) -> None:
    """Serve an app with these settings until it is interrupted; `before` opens the announcement.

    Where several processes are asked for, this one only looks after them.
    """
    settings = load_settings(config)
    serving = partial(_serve_one, config, before, qr)
    if settings.processes == 1:
        serving(None, first=True)
    else:
        _serve_together(settings, serving)
    click.echo("Stopped.")


def _serve_one(
    config: Mapping[str, Any], before: str, qr: bool, ports: SharedPorts | None, *, first: bool
) -> None:
    """Serve in this process. Of several that do, the first says where."""
    with reachable(str(config["DATABASE_URL"])), no_search():
        app = create_app(config)
        if first:
            with state(app).sessions() as session:
                mention_feeds(session)
    settings = state(app).settings
    opening = listen if ports is None else ports.listen
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
                https = partial(announce_https, before=before, qr=qr)
                serve_tls(app, settings, announce=https if first else _silent, opening=opening)
            else:
                http = _announcer(before) if first else _silent
                serve_app(app, settings.host, settings.port, announce=http, opening=opening)
            _log.info("stopped")
    finally:
        state(app).dispose()


def _serve_together(settings: Settings, serving: Work) -> None:
    """Let several processes serve; what would stop each of them is found out before."""
    with engine_on(settings.database_url) as engine:
        if engine.dialect.name != "postgresql":
            raise InvalidValueError(
                "TRIALOG_PROCESSES", "be 1 on the embedded database", settings.processes
            )
        require_current(engine)
    ports = SharedPorts()
    try:
        ports.listen(settings.host, settings.port).close()
        if settings.tls:
            keeper_of(settings)  # else each of them would make an authority of its own
            if (port := trust_port_of(settings)) is not None:
                ports.listen(settings.host, port, option=TRUST_OPTION).close()
        with keep_journal(settings.log_format, settings.log_level):
            crew = Crew(settings.processes, serving, ports, patience=settings.stop_seconds)
            with heeding_signals(crew.end):
                crew.run()
    finally:
        ports.close()


def _silent(_where: object) -> None:
    """Say nothing: another process does."""


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

    def end() -> None:
        if not ending.ask():
            raise KeyboardInterrupt

    with suppress(KeyboardInterrupt), heeding_signals(end):
        yield
