"""What commands print and the files they write: whole, or not at all."""

from __future__ import annotations

import json
import os
import stat
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from trialog.errors import InvalidValueError

STDOUT = "-"

json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")
output_option = click.option(
    "-o", "--output", metavar="FILE", help="File to write; - is the standard output."
)


def show_json(data: Any) -> None:
    """Print plain data as JSON."""
    click.echo(as_json_text(data), nl=False)


def as_json_text(data: Any) -> str:
    """Return plain data as JSON that every reader takes: no NaN, a newline at the end."""
    return json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def write_text(target: str, pieces: Iterable[str]) -> None:
    """Write pieces of text to a file, or to the standard output, as `write_bytes` does."""
    if target == STDOUT:
        with _writable(target):
            for piece in pieces:
                click.echo(piece, nl=False)
    else:
        write_bytes(target, (piece.encode() for piece in pieces))


def write_bytes(target: str, pieces: Iterable[bytes]) -> None:
    """Write pieces of a file, or send them to the standard output.

    A file is there whole or not at all: the text goes into a new file beside it, which takes
    its name once everything is on the disk.

    Raises
    ------
    InvalidValueError
        If the file cannot be written.
    """
    with _writable(target):
        if target == STDOUT:
            for piece in pieces:
                click.echo(piece, nl=False)
        else:
            _write_file(Path(os.path.realpath(target)), pieces)


@contextmanager
def _writable(target: str) -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        raise InvalidValueError(
            "output file", f"be one that can be written ({error.strerror or error})", target
        ) from error


def _write_file(path: Path, pieces: Iterable[bytes]) -> None:
    if path.exists() and not path.is_file():
        # Such as /dev/null: it must not be replaced by a file.
        with path.open("wb") as file:
            file.writelines(pieces)
    else:
        _replace(path, pieces)


def _replace(path: Path, pieces: Iterable[bytes]) -> None:
    handle, name = tempfile.mkstemp(prefix=".trialog-", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.writelines(pieces)
            file.flush()
            os.fsync(file.fileno())
        _keep_rights(name, path)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _keep_rights(name: str, path: Path) -> None:
    """Give a new file the rights of the one it replaces, else those of any new file."""
    if path.exists():
        mode = stat.S_IMODE(path.stat().st_mode)
    else:
        mask = os.umask(0)
        os.umask(mask)
        mode = 0o666 & ~mask
    os.chmod(name, mode)
