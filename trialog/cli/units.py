"""`--print-unit`: the files that let another program start and watch the server, or its feeds."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import click
from click.core import ParameterSource

from trialog import __version__
from trialog.web.settings import DEFAULT_PORT, Settings, load_settings

STATE = Path("/var/lib/trialog")
SECRETS = Path("/etc/trialog/trialog.env")
SPARE_SECONDS = 10
"""What whoever stops the server waits beyond the server's own patience, before it kills."""

HOMES = (Path("/home"), Path("/root"), Path("/run/user"))
_PRIVILEGED = 1024
_LEFT_OUT = frozenset({"print_unit", "database", "data_folder", "qr"})
"""Options that go into no command line: they are said otherwise, or hold a password."""

_FEED_STOP_SECONDS = 30
"""How long followers may take to end: one may wait for its agent's next word."""


@dataclass(frozen=True)
class Service:
    """How a program is to be started: the options that were typed, and what they come to."""

    options: tuple[str, ...]
    settings: Settings
    folder: Path | None
    """The data folder, where one was typed."""

    own_database: bool
    """Whether a database was typed, which is not written down: its URL may hold a password."""


def service_of(context: click.Context, given: Mapping[str, object]) -> Service:
    """Read how a program is to be started from the command line of `serve` or `feed run`.

    Raises
    ------
    InvalidValueError
        If a setting breaks its rule.
    """
    typed = {
        str(option.name)
        for option in context.command.params
        if context.get_parameter_source(str(option.name)) is ParameterSource.COMMANDLINE
    }
    # The key is not looked at: nothing is to be made where the server will not run.
    settings = load_settings({**given, "SECRET_KEY": "not used here"})
    folder = context.params.get("data_folder") if "data_folder" in typed else None
    return Service(
        options=tuple(_words(context, typed - _LEFT_OUT)),
        settings=settings,
        folder=None if folder is None else Path(folder).absolute(),
        own_database="database" in typed,
    )


def _words(context: click.Context, typed: set[str]) -> Iterator[str]:
    """Yield options as they are typed."""
    for option in context.command.params:
        if not isinstance(option, click.Option) or option.name not in typed:
            continue
        value = context.params[option.name]
        if option.is_flag:
            yield (option.opts if value else option.secondary_opts)[0]
        else:
            for one in value if option.multiple else (value,):
                yield from (option.opts[0], str(one))


def systemd_unit(service: Service) -> str:
    """Return a unit of systemd that starts the server as a user of its own, who may do little."""
    settings = service.settings
    low_port = 0 < settings.port < _PRIVILEGED
    return _unit(
        service,
        name="trialog",
        words=["serve"],
        description="trialog, the log and the verdicts of machine cells",
        after="network-online.target",
        about=_SERVER_NOTES,
        stop=settings.stop_seconds + SPARE_SECONDS,
        capabilities="CAP_NET_BIND_SERVICE" if low_port else "",
        namespaces=_BROWSERS_NAMESPACES,
    )


def feeds_unit(service: Service) -> str:
    """Return a unit of systemd that follows machines beside the server, as the same user."""
    return _unit(
        service,
        name="trialog-feeds",
        words=["feed", "run"],
        description="trialog, listening to machines' agents",
        after="network-online.target trialog.service",
        about=_FEEDS_NOTES,
        stop=_FEED_STOP_SECONDS,
        capabilities="",
        namespaces="RestrictNamespaces=yes",
    )


def _unit(service: Service, *, name: str, words: list[str], stop: int, **said: str) -> str:
    """Return a unit; what is `said` goes into it as it is."""
    program = _program()
    folder = service.folder or STATE
    at_home = any(
        place.is_relative_to(home) for place in (Path(program[0]), folder) for home in HOMES
    )
    command = [*program, *words, *service.options]
    ownership = (
        "StateDirectory=trialog\nStateDirectoryMode=0700"
        if service.folder is None
        else f"ReadWritePaths={_unit_word(str(folder))}"
    )
    return _UNIT.format(
        version=__version__,
        name=name,
        typed=" ".join(words),
        secrets=SECRETS,
        note=_DATABASE_NOTE.format(secrets=SECRETS) if service.own_database else "",
        folder=_unit_word(f"TRIALOG_DATA_FOLDER={folder}"),
        ownership=ownership,
        command=" ".join(_unit_word(word, command=True) for word in command),
        stop=stop,
        home="read-only" if at_home else "yes",
        **said,
    )


def _program() -> list[str]:
    """Return the words that start trialog: the command beside this Python, else that Python."""
    command = Path(sys.executable).with_name("trialog")
    return [str(command)] if command.is_file() else [sys.executable, "-m", "trialog.cli"]


def _unit_word(text: str, *, command: bool = False) -> str:
    """Write a word of a unit: nothing in it stands for something else, and it is one word."""
    safe = text.replace("%", "%%").replace("\\", "\\\\").replace('"', '\\"')
    safe = safe.replace("$", "$$") if command else safe
    plain = safe.isprintable() and not any(sign in safe for sign in " ';\\\"")
    return safe if plain else f'"{safe}"'


def container_file(service: Service) -> str:
    """Return the file that an image with the server is built from, with nothing secret in it."""
    settings, options = service.settings, list(service.options)
    port = settings.port or DEFAULT_PORT
    if "--host" not in options:
        options = ["--host", "0.0.0.0", *options]  # noqa: S104 - the container's own network
    ports = [port]
    if settings.tls and settings.trust_port != 0:
        ports.append(settings.trust_port or port + 1)
    return _CONTAINER.format(
        version=__version__,
        python=f"{sys.version_info.major}.{sys.version_info.minor}",
        note=_DATABASE_NOTE.format(secrets="the container's environment")
        if service.own_database
        else "",
        port=port,
        ports=" ".join(str(one) for one in ports),
        check=_json_words(["python", "-c", _check(port, tls=settings.tls)]),
        stop=settings.stop_seconds + SPARE_SECONDS,
        command=_json_words(["serve", *options]),
    )


def _check(port: int, *, tls: bool) -> str:
    """Return a program that ends well only while the server is ready."""
    scheme = "https" if tls else "http"
    # The server asks itself over the loopback, by an address that its certificate need not name.
    trusting = ", context=ssl._create_unverified_context()" if tls else ""
    return (
        f"import {'ssl, ' if tls else ''}urllib.request as u; "
        f"u.urlopen('{scheme}://127.0.0.1:{port}/health/ready', timeout=4{trusting})"
    )


def _json_words(words: list[str]) -> str:
    quoted = (word.replace("\\", "\\\\").replace('"', '\\"') for word in words)
    return "[" + ", ".join(f'"{word}"' for word in quoted) + "]"


UNITS: Mapping[str, Callable[[Service], str]] = {
    "systemd": systemd_unit,
    "container": container_file,
}
"""What can be printed for the server."""

FEED_UNITS: Mapping[str, Callable[[Service], str]] = {"systemd": feeds_unit}
"""What can be printed for the feeds; in a container the server's image runs them."""

_DATABASE_NOTE = """# The database that was named is left out, for its URL may hold a password: put
# TRIALOG_DATABASE_URL=… into {secrets}.
"""

_SERVER_NOTES = "# The server does not tell systemd when it answers; ask /health/ready for that."

_FEEDS_NOTES = """\
# It listens to every machine that `trialog feed add` named, also to those added while it runs;
# `trialog feed list` says how each is heard. One that runs twice waits for the other."""

_BROWSERS_NAMESPACES = """\
# The three kinds of namespace are what the browser that prints PDFs shuts itself in with.
RestrictNamespaces=user pid net"""

_UNIT = """\
# trialog {version}, made by `trialog {typed} --print-unit systemd`. As root:
#   useradd --system --home-dir /nonexistent --shell /usr/sbin/nologin trialog
#   save this as /etc/systemd/system/{name}.service
#   systemctl daemon-reload && systemctl enable --now {name}
# Settings and secrets, a line each such as TRIALOG_TIME_ZONE=Europe/Berlin, stand in
# {secrets}, which only root may read (chmod 600).
{note}
[Unit]
Description={description}
Wants=network-online.target
After={after}

[Service]
{about}
Type=exec
User=trialog
Group=trialog
EnvironmentFile=-{secrets}
Environment={folder}
{ownership}
ExecStart={command}
Restart=on-failure
RestartSec=2
# SIGTERM goes to the main process alone, which ends in order; what is left then is killed.
KillMode=mixed
TimeoutStopSec={stop}

UMask=0077
NoNewPrivileges=yes
CapabilityBoundingSet={capabilities}
AmbientCapabilities={capabilities}
ProtectSystem=strict
ProtectHome={home}
PrivateTmp=yes
PrivateDevices=yes
ProtectClock=yes
ProtectHostname=yes
ProtectControlGroups=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectProc=invisible
LockPersonality=yes
RemoveIPC=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX AF_NETLINK
{namespaces}
SystemCallArchitectures=native
SystemCallFilter=~@clock @cpu-emulation @debug @module @obsolete @raw-io @reboot @swap
SystemCallErrorNumber=EPERM

[Install]
WantedBy=multi-user.target
"""

_CONTAINER = """\
# trialog {version}, made by `trialog serve --print-unit container`. Save it as Containerfile; with
# a wheel of trialog beside it that is installed, else the package index is asked. Then:
#   build:     … build --tag trialog --file Containerfile .
#   schema:    … run --rm --volume trialog:/data trialog database upgrade
#   serve:     … run --volume trialog:/data --publish {port}:{port} --stop-timeout {stop} trialog
# Settings and secrets come in as environment variables (--env-file); none are in the image.
{note}
FROM python:{python}-slim

# For reports as PDF build with --build-arg PDF=yes.
ARG PDF=no
RUN if [ "$PDF" = yes ]; then \\
        apt-get update && apt-get install --yes --no-install-recommends chromium \\
        && rm -rf /var/lib/apt/lists/*; \\
    fi

ARG TRIALOG=trialog=={version}
RUN --mount=type=bind,target=/context \\
    pip install --no-cache-dir --find-links /context "$TRIALOG"

RUN useradd --system --uid 10001 --user-group --no-create-home --home-dir /data trialog \\
    && install --directory --owner trialog --group trialog --mode 0700 /data
USER 10001:10001
ENV PYTHONUNBUFFERED=1 TRIALOG_DATA_FOLDER=/data TRIALOG_LOG_FORMAT=json
VOLUME ["/data"]
EXPOSE {ports}

STOPSIGNAL SIGTERM
HEALTHCHECK --interval=30s --timeout=5s --start-period=60s --retries=3 CMD {check}
ENTRYPOINT ["trialog"]
CMD {command}
"""
