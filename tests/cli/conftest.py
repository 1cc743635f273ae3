"""Commands run as a user types them, and records for them to work on."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from datetime import timedelta

import pytest
from click.testing import CliRunner
from support.cells import condition, log_shift, write

from trialog.cli import cli
from trialog.evidence import define_requirement, start_trial
from trialog.records.setup import NewRequirement
from trialog.records.words import Condition, PlanKind, Stage


def run_command(*words, **options):
    """Run a command in this process; a fault that is not bad input is raised."""
    result = CliRunner().invoke(cli, [str(word) for word in words], prog_name="trialog", **options)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


@pytest.fixture
def run():
    """Return the function that runs a command."""
    return run_command


@pytest.fixture
def trialog(database, monkeypatch):
    """Return the function that runs a command on a fresh database."""
    monkeypatch.setenv("TRIALOG_DATABASE_URL", database)
    return run_command


@dataclass(frozen=True)
class Process:
    """A command as a process of its own."""

    code: int
    out: str
    err: str


def environment(**variables):
    kept = {name: value for name, value in os.environ.items() if not name.startswith("TRIALOG_")}
    return {**kept, "PYTHONUNBUFFERED": "1", **variables}


def start_process(*words, **variables):
    """Start a command as a process; `variables` are added to its environment."""
    return subprocess.Popen(
        [sys.executable, "-m", "trialog.cli", *(str(word) for word in words)],
        env=environment(**variables), text=True, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


@pytest.fixture
def start():
    """Return the function that starts a command as a process, stopped at the latest at the end."""
    started = []

    def begin(*words, **variables):
        started.append(start_process(*words, **variables))
        return started[-1]

    yield begin
    for process in started:
        process.kill()
        process.communicate()


@pytest.fixture
def run_process(start):
    """Return the function that runs a command as a process, to its end."""

    def finish(*words, **variables):
        process = start(*words, **variables)
        out, err = process.communicate(timeout=60)
        return Process(process.returncode, out, err)

    return finish


@pytest.fixture
def shop(session, cell, people, now):
    """Return a cell with a trial of its arm and one of the whole, and one logged shift."""
    by = {"actor": people.engineer, "now": now}
    requirement = define_requirement(
        session, cell.cell,
        NewRequirement(name="lunch", stretch_hours=1, chance=0.8, confidence=0.9,
                       design_rate=0.0001), **by,
    )  # fmt: skip
    for name, device, kind in (
        ("Arm", cell.arm, PlanKind.ZERO_FAILURE),
        ("Jet", cell.jet, PlanKind.FIXED_SIZE),
        ("Whole", None, PlanKind.FIXED_SIZE),
    ):
        start_trial(
            session, requirement, name=name, stage=Stage.BY_HAND, plan_kind=kind,
            device=device, **by,
        )  # fmt: skip
    session.commit()
    log_shift(
        session, cell, "Monday early", now=now - timedelta(hours=2), good=40,
        failed=[cell.dropped, cell.chips], counters=(100, 142), actor=people.operator, closed=True,
    )  # fmt: skip
    log_shift(session, cell, "Monday late", now=now, good=10, closed=False, actor=people.operator)
    cold = condition("Monday late", Condition.COLD_START, person_id=people.operator.id)
    write(session, cell, cold, actor=people.operator, now=now)
    return cell
