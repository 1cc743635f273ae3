"""Commands that work on a server as well as on a database: which one, and by which token."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from trialog.cli.places import Place, place_options
from trialog.client import Cell, Client, Trial
from trialog.errors import InvalidValueError
from trialog.records.queries import unknown_name


@dataclass(frozen=True)
class Server:
    """The server that a command was given."""

    url: str
    token_file: Path | None
    ca: Path | None

    def client(self) -> Client:
        """Return a client of the server.

        Raises
        ------
        InvalidValueError
            If there is no token, or the address is none.
        """
        if not self.url.startswith(("http://", "https://")):
            raise InvalidValueError("server", "begin with http:// or https://", self.url)
        return Client(self.url, self._token(), ca=self.ca)

    def _token(self) -> str:
        if self.token_file is None:
            token, given = os.environ.get("TRIALOG_TOKEN", ""), "TRIALOG_TOKEN"
        else:
            token, given = self.token_file.read_text(encoding="utf-8"), "--token-file"
        token = token.strip()
        if not token.isascii() or not token.isprintable() or not token:
            # The value stays out of the message: it is a secret.
            rule = "hold a client's token, or name a file with one in --token-file"
            raise InvalidValueError(given, rule, "•" * min(len(token), 8))
        return token


def anywhere_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options for a database or a server, as `place` and `server`.

    `server` is None where it is to work on a database. A flag wins over a variable.
    """

    @click.option("--server", metavar="URL", help="Ask this server (default: TRIALOG_SERVER).")
    @click.option(
        "--token-file",
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE",
        help="File with the client's token (default: TRIALOG_TOKEN holds it).",
    )
    @click.option(
        "--ca",
        type=click.Path(exists=True, dir_okay=False, path_type=Path),
        envvar="TRIALOG_CA",
        metavar="FILE",
        help="Certificate of the server's own authority (default: TRIALOG_CA).",
    )
    @place_options
    @functools.wraps(command)
    def placed(
        *args: Any,
        place: Place,
        server: str | None,
        token_file: Path | None,
        ca: Path | None,
        **options: Any,
    ) -> None:
        local = place.database is not None or place.folder is not None
        if server is not None and local:
            raise InvalidValueError("--server", "not go with a database", server)
        url = server or (None if local else os.environ.get("TRIALOG_SERVER"))
        chosen = None if url is None or url == "" else Server(url, token_file, ca)
        command(*args, place=place, server=chosen, **options)

    return placed


def trial_named(client: Client, name: str) -> Trial:
    """Return the trial of a name, or raise UnknownNameError as the records do."""
    found = next(client.trials(name=name), None)
    if found is None:
        raise unknown_name("trial", name, [one.name for one in client.trials()])
    return found


def cell_named(client: Client, name: str) -> Cell:
    """Return the cell of a name, or raise UnknownNameError as the records do."""
    found = next(client.cells(name=name), None)
    if found is None:
        raise unknown_name("cell", name, [one.name for one in client.cells()])
    return found
