"""The command line: thin commands over the same functions as the web application."""

from __future__ import annotations

import sys

import click

from trialog import __version__
from trialog.cli.groups import LazyGroup, RootGroup


@click.group(
    cls=RootGroup,
    lazy={
        "demo": "trialog.cli.demo:demo",
        "serve": "trialog.cli.serving:serve",
        "database": "trialog.cli:database",
        "people": "trialog.cli:people",
        "clients": "trialog.cli:clients",
        "feed": "trialog.cli:feed",
        "setup": "trialog.cli.feeding:setup",
        "import": "trialog.cli.feeding:import_log",
        "export": "trialog.cli.feeding:export",
        "bounds": "trialog.cli.figures:bounds",
        "need": "trialog.cli.figures:need",
        "plan": "trialog.cli.planning:plan",
        "verdict": "trialog.cli.reading:verdict",
        "report": "trialog.cli.reporting:report",
        "reports": "trialog.cli.kept:reports",
        "verify": "trialog.cli.keeping:verify",
        "backup": "trialog.cli.copying:backup",
        "restore": "trialog.cli.copying:restore",
        "notices": "trialog.cli.noticing:notices",
        "audit": "trialog.cli.auditing:audit",
        "doctor": "trialog.cli.doctor:doctor",
    },
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    no_args_is_help=True,
)
@click.version_option(__version__, prog_name="trialog")
def cli() -> None:
    """Prove the devices of a machine cell ready before a robot loads it.

    Start with: trialog demo

    Exit codes: 0 done; 1 a check failed (verify, database check, doctor,
    or what a move or restore found), or a notice did not get through;
    2 bad input, with a message that says which field, which rule and which value.
    """


@click.group(
    cls=LazyGroup,
    lazy={
        "upgrade": "trialog.cli.keeping:upgrade",
        "check": "trialog.cli.keeping:check",
        "move": "trialog.cli.copying:move",
    },
)
def database() -> None:
    """Bring the database's schema up to date, check it, or move the records to another one.

    Example: trialog database upgrade
    """


@click.group(cls=LazyGroup, lazy={"add": "trialog.cli.keeping:add"})
def people() -> None:
    """Say who may do what.

    Example: trialog people add --name "Your name" --role admin
    """


@click.group(
    cls=LazyGroup,
    lazy={
        "add": "trialog.cli.admitting:add",
        "token": "trialog.cli.admitting:token",
        "list": "trialog.cli.admitting:list_clients",
        "rename": "trialog.cli.admitting:rename",
        "revoke": "trialog.cli.admitting:revoke",
    },
)
def clients() -> None:
    """Let programs in, each by tokens of its own, and shut them out.

    Example: trialog clients list
    """


@click.group(
    cls=LazyGroup,
    lazy={
        "add": "trialog.cli.listening:add",
        "list": "trialog.cli.listening:list_feeds",
        "run": "trialog.cli.listening:run",
        "status": "trialog.cli.listening:status",
        "pause": "trialog.cli.listening:pause",
        "resume": "trialog.cli.listening:resume",
        "remove": "trialog.cli.listening:remove",
    },
)
def feed() -> None:
    """Listen to machines that count for themselves. Only reads; it commands no machine.

    Example: trialog feed run
    """


def main() -> None:
    """Run a command as its user typed it, and end the process with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A sign that the terminal's character set lacks must not end a command.
        stream.reconfigure(errors="replace")  # type: ignore[union-attr]  # the process's own streams
    cli(prog_name="trialog")
