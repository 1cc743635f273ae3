"""`setup`, `import` and `export` on both databases."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import OperationalError

from trialog.cli import feeding
from trialog.evidence import verdict_history
from trialog.records.models import Cell, Entry, Person, Shift, Trial
from trialog.records.queries import find_trial

SETUP = """
[cell]
name = "Cell 9"
machine = "mill"
part = "hub"
operation = "op 10"
planned_cycle_seconds = 60

[[devices]]
name = "arm"
modes = [{ name = "dropped part", effect = "stops the cell" }]

[requirement]
name = "lunch"
stretch_hours = 1
chance = 0.8
confidence = 0.9
design_rate = 0.0001

[[trials]]
name = "Arm 9"
device = "arm"
stage = "by hand"
plan = "zero-failure"

[[people]]
name = "Ola"
role = "operator"
pin = "8642"
"""
LOG = """shift,cycle,time,outcome,modes,operator
night,1,2026-03-01T06:00:00Z,good,,Ola
night,2,2026-03-01T06:01:00Z,failed,dropped part,Ola
night,3,2026-03-01T06:02:00Z,good,,Ola
"""
BAD_LINE = "night,4,2026-03-01T06:03:00Z,failed,lost part,Ola\n"


@pytest.fixture
def setup_file(tmp_path):
    path = tmp_path / "cell.toml"
    path.write_text(SETUP, encoding="utf-8")
    return path


@pytest.fixture
def log_file(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(LOG, encoding="utf-8")
    return path


@pytest.fixture
def cell_9(trialog, setup_file):
    """Return the command function, with the cell of the setup file set up."""
    assert trialog("setup", setup_file).exit_code == 0
    return trialog


def lines(session):
    session.rollback()
    return session.scalar(select(func.count(Entry.id)))


def test_a_setup_file_makes_cell_trial_and_people(trialog, setup_file, session):
    result = trialog("setup", setup_file, "--json")
    found = json.loads(result.stdout)
    assert found["cell"] == "Cell 9"
    assert {"cell 'Cell 9'", "trial 'Arm 9'", "person 'Ola'"} <= set(found["added"])
    assert session.scalars(select(Trial.name)).all() == ["Arm 9"]


def test_the_same_setup_file_again_adds_nothing(cell_9, setup_file):
    found = json.loads(cell_9("setup", setup_file, "--json").stdout)
    assert found["added"] == []
    assert "cell 'Cell 9'" in found["kept"]
    assert "Nothing new in this file." in cell_9("setup", setup_file).stdout


def test_a_setup_file_with_a_mistake_leaves_nothing_behind(trialog, setup_file, session):
    setup_file.write_text(SETUP.replace('role = "operator"', 'role = "boss"'), encoding="utf-8")
    result = trialog("setup", setup_file)
    assert result.exit_code == 2
    assert "role must be one of" in result.stderr
    assert session.scalar(select(func.count(Cell.id))) == 0
    assert session.scalar(select(func.count(Person.id))) == 0


def test_a_late_mistake_in_a_setup_file_takes_back_what_came_before(trialog, setup_file, session):
    setup_file.write_text(SETUP.replace("0.0001", "0.5"), encoding="utf-8")
    result = trialog("setup", setup_file)
    assert result.exit_code == 2
    assert "design rate must be below the limit" in result.stderr
    assert session.scalars(select(Cell.name)).all() == []


def test_an_import_adds_the_lines_and_a_second_one_none(cell_9, log_file, session):
    result = cell_9("import", log_file, "--trial", "Arm 9")
    assert result.exit_code == 0
    assert "shift night (new)" in result.stdout
    assert lines(session) == 5  # with the shift's opening and closing
    again = json.loads(cell_9("import", log_file, "--trial", "Arm 9", "--json").stdout)
    assert (again["added"], again["repeated"]) == (0, 3)
    assert lines(session) == 5


def test_an_import_notes_the_verdicts_once_and_stands_where_they_cannot_be(
    cell_9, log_file, session, monkeypatch
):
    def broken(*_, **__):
        raise OperationalError("judging", {}, Exception("the disk is full"))

    with monkeypatch.context() as patch:
        patch.setattr(feeding, "note_verdicts", broken)
        first = cell_9("import", log_file, "--trial", "Arm 9")
    assert first.exit_code == 0
    assert "could not be noted" in first.stderr
    trial = find_trial(session, "Arm 9")
    assert (lines(session), list(verdict_history(session, trial))) == (5, [])
    session.rollback()
    later = LOG.replace("night", "day").replace("2026-03-01", "2026-03-02")
    log_file.write_text(later, encoding="utf-8")
    cell_9("import", log_file, "--trial", "Arm 9")
    session.rollback()
    assert [change.verdict for change in verdict_history(session, trial)] == ["NO-GO"]


def test_a_dry_run_says_all_and_writes_nothing(cell_9, log_file, session):
    result = cell_9("import", log_file, "--trial", "Arm 9", "--dry-run")
    assert result.exit_code == 0
    assert "Dry run, nothing is written. Adds 5 lines" in result.stdout
    assert "3 cycles, 1 failed" in result.stdout
    assert lines(session) == 0


def test_one_bad_line_keeps_the_whole_file_out(cell_9, log_file, session):
    log_file.write_text(LOG + BAD_LINE, encoding="utf-8")
    result = cell_9("import", log_file, "--trial", "Arm 9")
    assert result.exit_code == 2
    assert result.stderr.startswith("line 5: failure mode must be the name of a failure mode")
    assert "'lost part'" in result.stderr
    assert lines(session) == 0


def test_the_good_lines_go_in_where_only_they_are_asked_for(cell_9, log_file, session):
    log_file.write_text(LOG + BAD_LINE, encoding="utf-8")
    words = ("import", log_file, "--trial", "Arm 9", "--good-lines-only")
    assert cell_9(*words, "--dry-run").exit_code == 0
    result = cell_9(*words)
    assert result.exit_code == 0
    assert result.stderr.startswith("line 5: ")
    assert lines(session) == 5
    assert cell_9(*words).exit_code == 0


def test_a_file_without_a_good_line_is_refused_all_the_same(cell_9, log_file, session):
    log_file.write_text(LOG.splitlines()[0] + "\n" + BAD_LINE, encoding="utf-8")
    result = cell_9("import", log_file, "--trial", "Arm 9", "--good-lines-only")
    assert result.exit_code == 2
    assert lines(session) == 0


def test_many_bad_lines_are_counted_not_all_printed(cell_9, log_file):
    log_file.write_text(LOG + BAD_LINE * 60, encoding="utf-8")
    result = cell_9("import", log_file, "--trial", "Arm 9", "--json")
    assert len(json.loads(result.stdout)["rejected"]) == 60
    assert result.stderr.count("lost part") < 120
    assert "and 10 more lines; --json lists all" in result.stderr


def test_an_export_imports_again_and_comes_out_the_same(trialog, shop, session, tmp_path):
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    said = trialog("export", "--trial", "Arm", "-o", first, "--json")
    assert json.loads(said.stdout) == {"trial": "Arm", "file": str(first), "lines": lines(session)}
    assert trialog("import", first, "--trial", "Arm").exit_code == 0
    assert trialog("export", "--trial", "Arm", "-o", second).exit_code == 0
    assert first.read_bytes() == second.read_bytes()
    assert session.scalar(select(func.count(Shift.id))) == 2


def test_an_export_goes_to_the_standard_output_alone(trialog, shop):
    result = trialog("export", "--trial", "Arm", "-o", "-")
    assert result.stdout.startswith("shift,cycle,time,outcome")
    assert result.stderr == ""
    refused = trialog("export", "--trial", "Arm", "-o", "-", "--json")
    assert refused.exit_code == 2
    assert "--json must go with a file to write to" in refused.stderr
