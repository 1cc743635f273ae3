"""The demo: an invented cell, loaded through the same doors as anybody's files."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy.orm import Session

from trialog.errors import ConflictError
from trialog.evidence import acknowledge, note_verdicts
from trialog.feeds.importing import import_csv
from trialog.feeds.setup_file import load_setup
from trialog.records.models import Cell
from trialog.records.people import find_person
from trialog.records.queries import find_trial
from trialog.records.schema import packaged
from trialog.records.words import AcknowledgementKind

FOLDER = packaged("seed_data")
MARKER = "trialog-demo.txt"
MARKER_TEXT = "trialog makes this folder anew each time its demo starts. Keep nothing here.\n"
OURS = ("trialog.db", "trialog.db-wal", "trialog.db-shm", "trialog.db-journal", "secret_key")
"""The files that a demo leaves; everything else in its folder is somebody's own."""

PORTION = 1_200
"""Lines of the log that are imported at a time, so that a progress bar has steps."""

LAST_MOMENT = datetime(2026, 11, 23, 12, 0, tzinfo=UTC)
"""After the last line of the log. A computer whose clock is behind gets the demo all the same."""

ENGINEER = "Edda Thornquill"
READY = "Pull claw, by hand"
NOTED = "Read out at the shift meeting; hung up beside the cell."


@dataclass(frozen=True)
class DemoPerson:
    """Somebody of the demo, with the PIN to sign in with."""

    name: str
    role: str
    pin: str


def demo_people() -> list[DemoPerson]:
    """Return the demo's people and their PINs, as its setup file has them."""
    setup = tomllib.loads((FOLDER / "setup.toml").read_text(encoding="utf-8"))
    return [DemoPerson(**person) for person in setup["people"]]


def log_lines() -> Sequence[str]:
    """Return the lines of the demo's log, its header first."""
    return (FOLDER / "log.csv").read_text(encoding="utf-8").splitlines(keepends=True)


def load_demo(session: Session, *, now: datetime) -> Iterator[int]:
    """Load the demo into empty records; yields how many lines of the log each step took.

    Must run in a unit of work. The set-up, the log and the engineer's acknowledgement of the
    cautions go through the same functions as a shop's own.

    Raises
    ------
    ConflictError
        If the records hold something else already.
    """
    now = max(now, LAST_MOMENT)
    loaded = load_setup(session, (FOLDER / "setup.toml").read_bytes(), actor=None, now=now)
    if loaded.cell is None or loaded.kept:
        raise ConflictError("the demo needs empty records, but these hold a demo already")
    header, *lines = log_lines()
    for start in range(0, len(lines), PORTION):
        portion = lines[start : start + PORTION]
        _import(session, loaded.cell, "".join([header, *portion]), now)
        note_verdicts(session, loaded.cell, now=now)
        yield len(portion)
    engineer = find_person(session, ENGINEER)
    trial = find_trial(session, READY)
    acknowledge(session, trial, AcknowledgementKind.CAUTIONS, NOTED, actor=engineer, now=now)
    note_verdicts(session, loaded.cell, now=now, actor=engineer)


def _import(session: Session, cell: Cell, text: str, now: datetime) -> None:
    engineer = find_person(session, ENGINEER)
    result = import_csv(session, cell, text.encode(), actor=engineer, now=now)
    if not result.written:
        raise ConflictError(f"the demo's log cannot be imported: {result.rejected[0].reason}")


def make_fresh_folder(folder: Path) -> None:
    """Make a demo's folder, and clear away what a demo before left in it.

    Raises
    ------
    ConflictError
        If it holds anything and no demo made it. Nothing is deleted then.
    """
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    marker = folder / MARKER
    if not marker.is_file() and any(folder.iterdir()):
        raise ConflictError(
            f"{folder} holds files that no demo made; choose another folder with --folder"
        )
    for name in OURS:
        (folder / name).unlink(missing_ok=True)
    marker.write_text(MARKER_TEXT, encoding="utf-8")
