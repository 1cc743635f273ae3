"""The server's program is killed in the middle of writing: what it acknowledged is there."""

import subprocess
import sys
from pathlib import Path

import pytest
import support
from support.cells import good, opening

TAPPING = Path(support.__path__[0]) / "tapping.py"


@pytest.mark.parametrize("acknowledged", [1, 17, 60])
def test_a_kill_loses_no_acknowledged_tap(logbook, database, cell, acknowledged):
    logbook.write(opening("A"))
    seen = tap_and_kill(database, cell.id, acknowledged)
    kept = [entry.client_id for entry in logbook.entries()[1:]]
    assert len(seen) >= acknowledged
    assert kept[: len(seen)] == seen
    # At most the tap that was under way when the kill came is there without an answer.
    assert len(kept) <= len(seen) + 1
    assert logbook.verify() == []


def test_work_goes_on_after_a_kill(logbook, database, cell):
    logbook.write(opening("A"))
    tap_and_kill(database, cell.id, 5)
    before = len(logbook.entries())
    logbook.write(good("A"))
    assert len(logbook.entries()) == before + 1
    assert logbook.verify() == []


def tap_and_kill(database, cell_id, acknowledged):
    """Let a program tap, kill it after so many answers, and return all ids it answered for."""
    command = [sys.executable, str(TAPPING), database, str(cell_id)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
        try:
            seen = [program.stdout.readline().strip() for _ in range(acknowledged)]
        finally:
            program.kill()
        seen += [line.strip() for line in program.stdout if line.endswith("\n")]
    return seen
