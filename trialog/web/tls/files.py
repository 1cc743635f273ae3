"""Files that hold a private key: written whole or not at all, for their owner's eyes only."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from trialog.errors import InvalidValueError

OWNER_ONLY = 0o600
_OTHERS = 0o077


@contextmanager
def explained(folder: Path) -> Iterator[None]:
    """Say in one line that a folder cannot be read or written, and why."""
    try:
        yield
    except OSError as error:
        rule = f"be one to read and write in, unlike {folder}"
        raise InvalidValueError(
            "folder for HTTPS", rule, error.strerror or type(error).__name__
        ) from error


def make_folder(folder: Path) -> None:
    """Make a folder that only its owner may enter."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)


def open_to_others(path: Path) -> bool:
    """Say whether somebody besides its owner may read or write a file.

    Windows keeps its rights elsewhere; there the data folder lies in the user's own profile.
    """
    return os.name == "posix" and bool(path.stat().st_mode & _OTHERS)


def write_whole(path: Path, content: bytes, *, mode: int = OWNER_ONLY) -> None:
    """Write a file so that a reader, or a power cut, meets the old content or the new."""
    with _written_beside(path, content, mode) as made:
        made.replace(path)


def write_first(path: Path, content: bytes) -> None:
    """Write a file unless there is one; of two processes that try at once, one wins."""
    with _written_beside(path, content, OWNER_ONLY) as made:
        try:
            path.hardlink_to(made)
        except FileExistsError:
            return  # somebody was faster: theirs stands
        except OSError:  # a file system without links; the moment between is accepted
            if not path.exists():
                made.replace(path)


@contextmanager
def _written_beside(path: Path, content: bytes, mode: int) -> Iterator[Path]:
    made = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    handle = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        yield made
    finally:
        with suppress(OSError):
            made.unlink(missing_ok=True)
