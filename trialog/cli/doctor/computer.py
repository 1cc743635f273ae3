"""The computer: Python and packages, settings, data folder, time zone, browser, disk."""

from __future__ import annotations

import os
import platform
import stat
from collections.abc import Iterator
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from trialog.cli.doctor.findings import Finding, look, ok, wrong
from trialog.errors import InvalidValueError, PrintingError
from trialog.records.disk import Room, room_for
from trialog.reports.printing import BROWSER, find_browser
from trialog.web.settings import Settings
from trialog.web.tls.files import open_to_others

PACKAGES = ("SQLAlchemy", "psycopg", "Flask", "waitress", "numpy", "scipy", "pandas",
            "cryptography")  # fmt: skip
COMFORTABLE = 1024**3
"""Bytes free below which somebody should look. Common practice, no source."""

_MEGABYTE = 1024**2


def software() -> Iterator[Finding]:
    """Say which trialog, which Python and which packages run."""
    yield ok("trialog", f"{version('trialog')} on Python {platform.python_version()}")
    found, missing = [], []
    for name in PACKAGES:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            missing.append(name)
    if missing:
        yield wrong(
            "packages", f"missing: {', '.join(missing)}", "Install trialog anew, with its packages."
        )
    else:
        yield ok("packages", ", ".join(found))


def data_folder(folder: Path) -> Iterator[Finding]:
    """Look at the folder in which trialog keeps its files."""
    name = "data folder"
    if not folder.exists():
        yield look(
            name, f"{folder} is not there yet",
            "It is made at the first start. If there should be one, name it with --data-folder.",
        )  # fmt: skip
        return
    if not os.access(folder, os.W_OK | os.X_OK):
        yield wrong(
            name, f"{folder} cannot be written by this user",
            "Run this as the user who runs the server, or give the folder to that user.",
        )  # fmt: skip
    elif open_to_others(folder):
        mode = stat.S_IMODE(folder.stat().st_mode)
        yield look(
            name, f"{folder} is open to others on this computer ({mode:o})",
            f"chmod 700 {folder}",
        )  # fmt: skip
    else:
        yield ok(name, f"{folder}, for its owner only")


def secret_key(folder: Path) -> Iterator[Finding]:
    """Look at the key that signs sessions, without telling it."""
    name, path = "secret key", folder / "secret_key"
    if given := os.environ.get("TRIALOG_SECRET_KEY"):
        if len(given) < 32:
            yield wrong(
                name, "TRIALOG_SECRET_KEY is short enough to be guessed",
                "Set one of at least 32 characters that nobody made up, or none: one is made then.",
            )  # fmt: skip
        else:
            yield ok(name, "from TRIALOG_SECRET_KEY")
    elif not path.exists():
        yield ok(name, "made at the first start")
    elif open_to_others(path):
        yield wrong(
            name, f"others on this computer can read it ({stat.S_IMODE(path.stat().st_mode):o})",
            f"Delete {path} and start the server anew: who has read it can sign in as anybody.",
        )  # fmt: skip
    elif path.stat().st_size == 0:
        yield wrong(name, "the file is empty", f"Delete {path}; another is made at the next start.")
    else:
        yield ok(name, "kept in the data folder, readable by its owner only")


def time_zone(settings: Settings, now: datetime) -> Iterator[Finding]:
    """Say which zone times are shown in, and what time it is there."""
    zone = settings.time_zone
    shown = f"{zone.key}, where it is {now.astimezone(zone):%Y-%m-%d %H:%M}"
    if os.environ.get("TRIALOG_TIME_ZONE"):
        yield ok("time zone", shown)
    else:
        yield look("time zone", shown, "Set TRIALOG_TIME_ZONE to the shop's, unless this is it.")


def browser() -> Iterator[Finding]:
    """Look for the browser that makes PDFs."""
    try:
        yield ok("browser", f"{find_browser()} makes PDFs")
    except PrintingError:
        do = f"Install Chromium, or name a browser in {BROWSER}; all else works without."
        yield look("browser", "none is there, so there are no PDFs", do)
    except InvalidValueError as error:
        yield wrong("browser", f"{error.field} must {error.rule}", f"Mend or remove {BROWSER}.")


def disk(file: Path) -> Iterator[Finding]:
    """Look at how much room there is for a file of the embedded database."""
    try:
        room = room_for(file)
    except OSError as error:
        yield wrong("disk", f"cannot be looked at ({error.strerror})", f"Look at {file.parent}.")
        return
    yield _of_room(room, file)


def _of_room(room: Room, file: Path) -> Finding:
    free = f"{room.free // _MEGABYTE:,} MB free beside {file}"
    if not room.writable:
        return wrong(
            "disk", f"{file} cannot be written by this user",
            "Run this as the user who runs the server, or give the file to that user.",
        )  # fmt: skip
    if room.nearly_full:
        return wrong("disk", free, "Make room: entries are refused once it is full.")
    if room.free < COMFORTABLE:
        return look("disk", free, "Make room before it runs out.")
    return ok("disk", free)
