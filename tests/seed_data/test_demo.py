"""The demo: one device is ready, one was mended, one should not go; and the records hold."""

from __future__ import annotations

import csv
import importlib.util
import json
import re
import shutil
import sys
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from support.demo import DEMO_NOW

from trialog.errors import ConflictError
from trialog.evidence import (
    check_document,
    judge,
    read_document,
    reconcile,
    sign,
    signed_document,
    trial_signed,
    verdict_history,
)
from trialog.feeds import demo as feeds_demo
from trialog.feeds.demo import FOLDER, LAST_MOMENT, MARKER, demo_people, load_demo, log_lines
from trialog.records import schema
from trialog.records.database import embedded_url, make_engine, unit_of_work
from trialog.records.models import Cell, Entry, Revision, Shift
from trialog.records.people import find_person
from trialog.records.pins import check_pin
from trialog.records.queries import find_trial
from trialog.records.verify import verify
from trialog.records.words import Role

NOW = DEMO_NOW


@pytest.fixture(scope="module")
def engine(demo_folder, tmp_path_factory):
    """Return an engine on a copy of the demo: tests here write into it."""
    folder = tmp_path_factory.mktemp("demo")
    shutil.copy(demo_folder / "trialog.db", folder)
    engine = make_engine(embedded_url(folder))
    yield engine
    engine.dispose()


@pytest.fixture
def demo(engine):
    """Return a session on the demo; nothing that a test does to it stays."""
    with Session(engine) as session:
        yield session
        session.rollback()


def judged(session, name):
    return judge(session, find_trial(session, f"{name}, by hand"))


def unmet(verdict):
    return {reason.name for reason in verdict.unmet}


def test_the_claw_is_ready_and_can_be_signed(demo):
    verdict = judged(demo, "Pull claw")
    assert verdict.verdict == "GO"
    assert unmet(verdict) == set()
    assert verdict.evidence.no_tests == 2
    assert verdict.evidence.since.what.startswith("softer pads")
    history = verdict_history(demo, verdict.evidence.trial)
    assert len(history) > 1, "the trial's page has something to show"
    assert history[-1].verdict == "GO"
    trial = find_trial(demo, "Pull claw, by hand")
    assert trial_signed(demo, trial).missing == (Role.ENGINEER, Role.APPROVER)
    for role in trial_signed(demo, trial).missing:
        name = next(person.name for person in demo_people() if person.role == role)
        record = sign(
            demo, trial, find_person(demo, name), statement="Agreed.",
            cautions_acknowledged=True, now=NOW,
        )  # fmt: skip
    assert trial_signed(demo, trial).signed
    file = read_document(json.dumps(signed_document(record)).encode())
    assert check_document(demo, file).holds


def test_the_lance_needed_a_fix_and_is_better_since(demo):
    verdict = judged(demo, "Flood lance")
    assert verdict.verdict == "KEEP RUNNING"
    assert 0 < verdict.clean_cycles_to_go < 4_000
    assert verdict.shifts_to_go <= 7
    assert verdict.evidence.since.what.startswith("two-hole nozzle")
    assert verdict.evidence.failures == 1
    assert verdict.evidence.damage_failures == 0
    assert [change.resets_evidence for change in verdict.evidence.changes] == [False]
    before = [
        row for row in rows() if row["time"] < "2026-11-11" and "chips on seat" in row["modes"]
    ]
    assert len(before) > 20


def test_the_cradle_should_not_go(demo):
    verdict = judged(demo, "Felt cradle")
    assert verdict.verdict == "NO-GO"
    assert verdict.evidence.failures > 40
    assert verdict.evidence.damage_failures > 0
    assert verdict.evidence.unruled > 0


def test_the_cell_as_a_whole_is_held_back_by_the_cradle(demo):
    assert judged(demo, "Cell 5 as a whole").verdict == "NO-GO"


def test_the_records_are_what_the_logbook_says(demo):
    assert verify(demo) == []


def test_three_weeks_of_two_shifts_a_day_are_all_closed(demo):
    shifts = demo.scalars(select(Shift).order_by(Shift.opened_at)).all()
    assert len(shifts) == 30
    assert all(shift.closed_at is not None for shift in shifts)
    assert {shift.opened_at.weekday() for shift in shifts} == set(range(5))
    assert shifts[-1].closed_at - shifts[0].opened_at > timedelta(days=18)
    assert demo.scalar(select(func.max(Entry.occurred_at))) < LAST_MOMENT < NOW


def test_one_shift_has_cycles_that_nobody_logged(demo):
    compared = [reconcile(demo, shift) for shift in demo.scalars(select(Shift))]
    assert {item.label: item.unlogged for item in compared if item.unlogged} == {
        "2026-11-02 late": 4
    }


def test_every_kind_of_line_is_there(demo):
    kinds = Counter(demo.scalars(select(Entry.kind)))
    assert set(kinds) == {
        "open", "good", "failed", "stop", "note", "condition", "close", "ruling", "revision",
        "undo",
    }  # fmt: skip
    assert kinds["undo"] == 1
    assert demo.scalar(select(func.count(Entry.id)).where(Entry.cycles > 1)) >= 3
    assert demo.scalar(select(func.count(Revision.id)).where(Revision.entry_id.is_not(None))) == 3


def test_everybody_can_sign_in_with_the_printed_pin(demo):
    people = demo_people()
    assert {person.role for person in people} == {str(role) for role in Role}
    for person in people:
        found = check_pin(demo, person.name, person.pin, now=NOW)
        assert (found.name, found.role) == (person.name, person.role)


def test_it_is_not_loaded_twice(demo):
    with pytest.raises(ConflictError, match="demo needs empty records"):
        list(load_demo(demo, now=NOW))


def test_a_progress_bar_has_steps_that_add_up(tmp_path, monkeypatch):
    assert len(log_lines()) > 5 * feeds_demo.PORTION
    short = log_lines()[:25]
    monkeypatch.setattr(feeds_demo, "log_lines", lambda: short)
    monkeypatch.setattr(feeds_demo, "PORTION", 10)
    engine = make_engine(embedded_url(tmp_path))
    schema.upgrade(engine)
    with Session(engine) as session, unit_of_work(session):
        assert list(load_demo(session, now=NOW)) == [10, 10, 4]
    engine.dispose()


def test_a_computer_whose_clock_is_behind_gets_it_too(tmp_path):
    engine = make_engine(embedded_url(tmp_path))
    schema.upgrade(engine)
    with Session(engine) as session, unit_of_work(session):
        steps = load_demo(session, now=datetime(2026, 1, 1, tzinfo=UTC))
        assert next(steps) > 0
        assert session.scalar(select(func.count(Entry.id))) > 0
    engine.dispose()


def rows():
    return list(csv.DictReader(log_lines()))


def test_the_log_is_what_its_script_makes(monkeypatch):
    spec = importlib.util.spec_from_file_location("make_log", FOLDER / "make_log.py")
    script = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "make_log", script)
    spec.loader.exec_module(script)
    assert script.make_log() == (FOLDER / "log.csv").read_text(encoding="utf-8")


def test_each_line_of_the_log_is_one_line_of_the_file():
    assert len(rows()) == len(log_lines()) - 1


def test_its_readme_says_that_it_is_invented():
    said = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert "Everything here is invented" in said
    assert "Everything here is invented" in (FOLDER / "setup.toml").read_text(encoding="utf-8")


def test_what_the_readme_says_of_the_scenario_holds(demo):
    said = (FOLDER / "README.md").read_text(encoding="utf-8")
    cell = demo.scalars(select(Cell)).one()
    assert f"planned cycle\nof {cell.planned_cycle_seconds:.0f} s" in said
    for name in ("Pull claw", "Flood lance", "Felt cradle"):
        row = re.search(rf"^\| {name.lower()} .*$", said, re.M)[0]
        assert judged(demo, name).verdict in row
    lots = [row for row in rows() if row["condition"] == "new material lot"]
    assert len(lots) == 5


def test_no_demo_marker_or_database_lies_in_the_folder():
    assert not (FOLDER / MARKER).exists()
    assert {path.name for path in Path(FOLDER).iterdir() if path.is_file()} == {
        "README.md", "setup.toml", "log.csv", "make_log.py",
    }  # fmt: skip
