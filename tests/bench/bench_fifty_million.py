"""What is read of fifty million cycles, against the same of fifty thousand taken 1.3 times.

Both lie in 200 shifts and 300 failed; a line stands for fifty cycles, or is a failed one.
"""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from datetime import UTC, timedelta

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.orm import Session
from support.browsing import WEB_CONFIG
from support.clients import Program
from support.long_log import BEGIN, SHIFTS, long_log
from support.signed_in import begin_session

from trialog.evidence import judge
from trialog.records.database import make_engine, unit_of_work
from trialog.records.models import Entry, Trial
from trialog.records.people import add_person
from trialog.records.words import Role, Scope
from trialog.reports.kinds import KINDS, all_tables
from trialog.reports.trial_report import build_trial_report
from trialog.web import create_app
from trialog.web.api.cursors import make_cursor
from trialog.web.database import state
from trialog.web.remembering import STANDINGS, RememberedStandings

NOW = BEGIN + timedelta(days=SHIFTS + 1)
MANY, FEW, A_LINE = 50_000_000, 50_000, 50
BAR = 1 / 1.3


class LongLog:
    """A logbook of so many cycles, and a server on it that somebody and a program ask."""

    def __init__(self, url, cycles):
        self.engine = make_engine(url)
        with Session(self.engine) as session:
            long_log(session, cycles, a_line=A_LINE)
        self._tidy()
        # A program of a bench asks more often than one may.
        self._app = create_app(WEB_CONFIG | {"DATABASE_URL": url, "RATELIMIT_ENABLED": False})
        with Session(self.engine) as session:
            with unit_of_work(session):
                reader = add_person(session, "R", Role.ENGINEER, "1846", actor=None, now=BEGIN)
            self.lines = session.scalar(select(func.max(Entry.sequence)))
            self._program = Program(self._app, session, reader, Scope.READ)
            self._browser = self._app.test_client()
            begin_session(self._browser, reader, self._program.now)

    def _tidy(self):
        """Do what PostgreSQL does by itself soon after rows have come, and the tests' does not."""
        if self.engine.dialect.name == "postgresql":
            alone = self.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
            with alone as connection:
                connection.execute(text("VACUUM ANALYZE"))

    def close(self):
        state(self._app).dispose()
        self.engine.dispose()

    @contextmanager
    def trial(self):
        """Give the trial in a fresh session."""
        with Session(self.engine) as session:
            yield session, session.get_one(Trial, 1)

    def verdict(self):
        with self.trial() as (session, trial):
            return judge(session, trial)

    def dossier(self):
        """Make all tables of the trial's page, those of its pictures too."""
        with self.trial() as (session, trial):
            report = build_trial_report(session, trial, now=NOW, zone=UTC)
            return all_tables(KINDS["trial"], report)

    def fleet(self):
        """Open the page of the fleet as if something had just changed."""
        self._app.extensions[STANDINGS] = RememberedStandings()
        return _shown(self._browser.get("/fleet"))

    def entries(self, order, after=None):
        """Read a page of the logbook through the API, from the end or from beyond a place on."""
        cursor = "" if after is None else f"&cursor={make_cursor(f'{order} 1  ', after)}"
        return _shown(self._program.get(f"/cells/1/entries?order={order}{cursor}"))

    def page_within(self):
        return self.entries("oldest", self.lines // 2)


def _shown(answer):
    assert answer.status_code == 200, answer.text
    return answer


@pytest.fixture(scope="module")
def long_logs(request, tmp_path_factory):
    """Return a function that gives the logbook of so many cycles on a kind; each is made once."""
    made = {}

    def of(kind, cycles):
        if (kind, cycles) not in made:
            if kind == "sqlite":
                path = tmp_path_factory.mktemp("long") / "trialog.db"
                shutil.copyfile(request.getfixturevalue("sqlite_template"), path)
                url = f"sqlite:///{path}"
            else:
                template = request.getfixturevalue("postgres_template")
                server = request.getfixturevalue("postgres_server")
                url = server.create(f"long_{cycles}", template)
            made[kind, cycles] = LongLog(url, cycles)
        return made[kind, cycles]

    yield of
    for one in made.values():
        one.close()


@pytest.fixture
def race_of_both(race, long_logs, database_kind):
    """Time what is asked of the long logbook, against the same asked of the short one."""

    def run(asked):
        many, few = long_logs(database_kind, MANY), long_logs(database_kind, FEW)
        race(ours=lambda: asked(many), other=lambda: asked(few), bar=BAR)

    return run


def bench_verdict_of_fifty_million_cycles(race_of_both):
    """Verdict, 50 million cycles; 50,000 x 1.3."""
    race_of_both(LongLog.verdict)


def bench_dossier_of_fifty_million_cycles(race_of_both):
    """Trial's page, 50 million cycles; 50,000 x 1.3."""
    race_of_both(LongLog.dossier)


def bench_fleet_of_fifty_million_cycles(race_of_both):
    """Fleet's page, 50 million cycles; 50,000 x 1.3."""
    race_of_both(LongLog.fleet)


def bench_first_lines_of_fifty_million_cycles(race_of_both):
    """API's first page, 50 million cycles; 50,000 x 1.3."""
    race_of_both(lambda log: log.entries("oldest"))


def bench_newest_lines_of_fifty_million_cycles(race_of_both):
    """API's newest page, 50 million cycles; 50,000 x 1.3."""
    race_of_both(lambda log: log.entries("newest"))


def bench_lines_within_fifty_million_cycles(race_of_both):
    """API's page within, 50 million cycles; 50,000 x 1.3."""
    race_of_both(LongLog.page_within)
