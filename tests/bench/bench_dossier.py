"""A dossier from the records, against a plain script on the same log; and as logs grow."""

from __future__ import annotations

import shutil
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from plain_script import tables_of
from sqlalchemy import Engine
from sqlalchemy.orm import Session
from support.long_log import BEGIN, SHIFTS, long_log

from trialog.evidence import judge
from trialog.feeds.exporting import export_csv
from trialog.records.database import make_engine
from trialog.records.models import Trial
from trialog.reports.kinds import KINDS, all_tables
from trialog.reports.trial_report import build_trial_report

NOW = BEGIN + timedelta(days=SHIFTS + 1)


@pytest.fixture(scope="module")
def records(sqlite_template, tmp_path_factory):
    """Return a function that gives an engine on a logbook of so many cycles; each is made once."""
    made: dict[int, Engine] = {}

    def of(cycles: int, *, a_line: int) -> Engine:
        if cycles not in made:
            path = tmp_path_factory.mktemp("long") / "trialog.db"
            shutil.copyfile(sqlite_template, path)
            made[cycles] = make_engine(f"sqlite:///{path}")
            with Session(made[cycles]) as session:
                long_log(session, cycles, a_line=a_line)
        return made[cycles]

    yield of
    for engine in made.values():
        engine.dispose()


@pytest.fixture(scope="module")
def million(records, tmp_path_factory):
    """Return an engine on a million cycles, a line each, and the same log as a CSV."""
    engine = records(1_000_000, a_line=1)
    path = tmp_path_factory.mktemp("csv") / "log.csv"
    with Session(engine) as session, path.open("w", newline="", encoding="utf-8") as file:
        file.writelines(export_csv(session, session.get_one(Trial, 1).cell))
    return engine, path


def dossier(engine: Engine) -> object:
    """Make all tables of the trial's dossier, those of its pictures too, in a fresh session."""
    with Session(engine) as session:
        trial = session.get_one(Trial, 1)
        report = build_trial_report(session, trial, now=NOW, zone=UTC)
        return all_tables(KINDS["trial"], report)


def by_the_script(path: Path) -> object:
    return tables_of(path)


def bench_dossier_of_a_million_cycles(race, million):
    """A dossier of 1 million cycles; pandas and statsmodels on its CSV."""
    engine, path = million
    race(ours=lambda: dossier(engine), other=lambda: by_the_script(path), bar=5)


def verdict(engine: Engine) -> object:
    """Judge the trial in a fresh session."""
    with Session(engine) as session:
        return judge(session, session.get_one(Trial, 1))


def bench_verdict_of_fifty_million_cycles(race, records):
    """A verdict on 50 million cycles, against one on 50,000 taken 1.3 times."""
    many, few = records(50_000_000, a_line=50), records(50_000, a_line=50)
    race(ours=lambda: verdict(many), other=lambda: verdict(few), bar=1 / 1.3)


def bench_dossier_of_fifty_million_cycles(race, records):
    """A trial's page of 50 million cycles, against one of 50,000 taken 1.3 times."""
    many, few = records(50_000_000, a_line=50), records(50_000, a_line=50)
    race(ours=lambda: dossier(many), other=lambda: dossier(few), bar=1 / 1.3)
