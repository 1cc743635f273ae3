"""The files of the data folder that the server proves itself with, in a backup and out of it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from trialog.errors import InvalidValueError
from trialog.records.copying.backups import work_folder
from trialog.records.copying.packed import KEYS, new_file, open_packed, reading, take_name

NAME_OF_KEY = re.compile(r"[\w-]+(?:/(?!\.\.)[\w.-]+)?", re.ASCII)
"""How files of the data folder are named that a backup may bring into another one."""


def read_keys(path: Path) -> dict[str, bytes]:
    """Return the keys that a backup holds, by their names in the data folder.

    Raises
    ------
    InvalidValueError
        If one of them has no name of such a file, or is not as it was written.
    """
    with open_packed(path) as (packed, manifest):
        for name in manifest.keys:
            if not NAME_OF_KEY.fullmatch(name):
                raise InvalidValueError("name of a key", "be one of the data folder's", name)
        with reading(path):
            return {name: packed.read(KEYS + name) for name in manifest.keys}


def put_keys(keys: Mapping[str, bytes], folder: Path) -> list[str]:
    """Put keys into a data folder; one that has its own keeps it. Return those that were put."""
    missing = [name for name in keys if not (folder / name).exists()]
    for name in missing:
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        with work_folder(folder) as work:
            with new_file(work / "key") as file:
                file.write(keys[name])
            take_name(work / "key", place)
    return missing


def keys_of(folder: Path) -> dict[str, Path]:
    """Return the files of a data folder that the server proves itself with, by their names.

    Only those that can be put back: it is no file of ours that has another kind of name.
    """
    files = [folder / "secret_key", *sorted((folder / "tls").glob("*"))]
    named = {path.relative_to(folder).as_posix(): path for path in files if path.is_file()}
    return {name: path for name, path in named.items() if NAME_OF_KEY.fullmatch(name)}
