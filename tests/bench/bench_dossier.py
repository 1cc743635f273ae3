"""A dossier from the records, against a plain script on the same log."""

from __future__ import annotations

import shutil
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from plain_script import tables_of
from sqlalchemy import Engine
from sqlalchemy.orm import Session
from support.long_log import BEGIN, SHIFTS, long_log

from trialog.feeds.exporting import export_csv
from trialog.records.database import make_engine
from trialog.records.models import Trial
from trialog.reports.kinds import KINDS, all_tables
from trialog.reports.trial_report import build_trial_report

NOW = BEGIN + timedelta(days=SHIFTS + 1)


@pytest.fixture(scope="module")
def million(sqlite_template, tmp_path_factory):
    """Return an engine on a million cycles, a line each, and the same log as a CSV."""
    folder = tmp_path_factory.mktemp("long")
    shutil.copyfile(sqlite_template, folder / "trialog.db")
    engine = make_engine(f"sqlite:///{folder / 'trialog.db'}")
    with Session(engine) as session:
        long_log(session, 1_000_000, a_line=1)
    path = folder / "log.csv"
    with Session(engine) as session, path.open("w", newline="", encoding="utf-8") as file:
        file.writelines(export_csv(session, session.get_one(Trial, 1).cell))
    yield engine, path
    engine.dispose()


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
