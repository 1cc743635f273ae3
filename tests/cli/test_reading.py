"""`verdict` and `report`: the same as the evidence and the reports say."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import select

from trialog.evidence import CAUTIONS, judge
from trialog.records.models import Shift, Trial
from trialog.records.queries import find_trial
from trialog.reports import printing


@pytest.fixture
def shift_id(session, shop):
    return session.scalar(select(Shift.id).where(Shift.label == "Monday early"))


def test_a_verdict_in_json_is_the_verdict_of_the_evidence(trialog, shop, session):
    found = json.loads(trialog("verdict", "--trial", "Jet", "--json").stdout)
    judged = judge(session, find_trial(session, "Jet"))
    assert (found["verdict"], found["cycles"], found["failures"]) == ("NO-GO", 52, 1)
    assert found["upper"] == judged.upper
    assert found["limit"] == judged.limit
    assert found["proven_stretch_seconds"] == judged.proven_stretch_seconds
    assert found["clean_cycles_to_go"] is None
    assert [reason["name"] for reason in found["reasons"]] == [
        reason.name for reason in judged.reasons
    ]
    keys = {"key", "name", "met", "detail", "explanation", "would_change"}
    assert all(set(reason) == keys for reason in found["reasons"])
    assert found["reasons"][1]["would_change"], "a line says what would change it"
    assert "first counted cycle" in found["fixed"]
    assert found["changed_after"] == []
    assert found["sign_off"] == {
        "status": "none", "words": "Not signed. Must sign: engineer and approver.",
        "required": ["engineer", "approver"], "missing": ["engineer", "approver"],
    }  # fmt: skip


def test_a_verdict_in_words_has_the_sentence_each_line_and_the_cautions(trialog, shop):
    said = trialog("verdict", "--trial", "Whole").stdout
    assert said.startswith("Whole: NO-GO\nProven so far: ")
    assert "OPEN   no failure that can damage: 1 relevant failure" in said
    assert "holds  no change since the evidence began" in said
    assert "Requirement and plan were fixed on" in said
    assert "Not signed. Must sign: engineer and approver." in said
    assert "can damage on line" in said, "what would change the line"
    assert all(caution in said for caution in CAUTIONS)


def test_a_trial_that_is_not_there_is_named_with_the_nearest(trialog, shop):
    result = trialog("verdict", "--trial", "Whol")
    assert result.exit_code == 2
    assert "did you mean 'Whole'?" in result.stderr
    assert "got 'Whol'" in result.stderr


def test_a_report_of_a_shift_in_json_goes_to_the_standard_output(trialog, shift_id):
    found = json.loads(trialog("report", "shift", shift_id, "--format", "json").stdout)
    assert found["shift"] == "Monday early"
    assert found["logged"] == 42
    short = json.loads(trialog("report", "shift", shift_id, "--json").stdout)
    assert {**short, "produced_at": None} == {**found, "produced_at": None}


def test_a_report_as_html_is_one_file_that_needs_nothing_else(trialog, shift_id, tmp_path):
    for words in (("shift", shift_id), ("trial", "Arm")):
        path = tmp_path / "report.html"
        result = trialog("report", *words, "-o", path)
        assert result.exit_code == 0, result.stderr
        assert path.read_text(encoding="utf-8").startswith("<!doctype html>")
        assert result.stdout == f"Wrote {path}.\n"


def test_html_needs_a_word_on_where_it_goes(trialog, shift_id):
    result = trialog("report", "shift", shift_id)
    assert result.exit_code == 2
    assert "-o must name the file to write" in result.stderr
    assert trialog("report", "shift", shift_id, "-o", "-").stdout.startswith("<!doctype html>")


def test_times_are_shown_in_the_shops_zone(trialog, shift_id, monkeypatch):
    monkeypatch.setenv("TRIALOG_TIME_ZONE", "Asia/Kolkata")
    found = json.loads(trialog("report", "shift", shift_id, "--json").stdout)
    assert found["closed_at"] == "2026-03-02T17:29:59+05:30"
    flag = ("report", "shift", shift_id, "--json", "--time-zone", "UTC")
    assert json.loads(trialog(*flag).stdout)["closed_at"] == "2026-03-02T11:59:59+00:00"


def test_a_report_of_a_trial_in_json_holds_its_verdict(trialog, shop):
    found = json.loads(trialog("report", "trial", "Jet", "--json").stdout)
    assert found["trial"] == "Jet"
    assert found["verdict"]["verdict"] == "NO-GO"


def test_a_report_has_each_form_and_is_what_it_says(trialog, shift_id, tmp_path):
    for form, begins in (("html", b"<!doctype html>"), ("json", b"{"), ("xlsx", b"PK")):
        path = tmp_path / f"report.{form}"
        result = trialog("report", "shift", shift_id, "--format", form, "-o", path)
        assert result.exit_code == 0, result.stderr
        assert path.read_bytes().startswith(begins), form


def test_a_table_goes_to_the_standard_output_as_csv(trialog, shop):
    main = trialog("report", "trial", "Jet", "--format", "csv").stdout.splitlines()
    assert main[0].startswith("subject,")
    shifts = trialog("report", "trial", "Jet", "--format", "csv", "--table", "shifts").stdout
    assert shifts.splitlines()[1].startswith("Monday early,")
    wrong = trialog("report", "trial", "Jet", "--format", "csv", "--table", "none")
    assert wrong.exit_code == 2
    assert "table must be one of this report's (" in wrong.stderr
    assert "got 'none'" in wrong.stderr


def test_the_reports_of_a_cell_and_of_all_cells_say_the_same_of_it(trialog, shop):
    one = json.loads(trialog("report", "cell", shop.cell.name, "--json").stdout)
    every = json.loads(trialog("report", "fleet", "--json").stdout)
    assert (one["verdict"], one["may_run_alone"]) == ("NO-GO", False)
    assert [cell["sentence"] for cell in every["cells"]] == [one["sentence"]]
    assert every["cells"][0]["stages"] == one["stages"]
    wrong = trialog("report", "cell", "nowhere", "--json")
    assert wrong.exit_code == 2
    assert "cell must be the name of a cell in the records" in wrong.stderr


def test_all_reports_go_into_a_folder_each_once(trialog, shop, session, tmp_path):
    folder = tmp_path / "new" / "reports"
    result = trialog("report", "--all", "-o", folder, "--format", "json", "--format", "csv")
    assert result.exit_code == 0, result.stderr
    files = sorted(path.name for path in folder.iterdir())
    assert result.stdout == f"Wrote {len(files)} files to {folder}.\n"
    shifts = {f"shift-{ident}.json" for ident in session.scalars(select(Shift.id))}
    trials = {f"{kind}-{ident}.json" for ident in session.scalars(select(Trial.id))
              for kind in ("trial", "evidence")}  # fmt: skip
    assert shifts | trials | {"cell-1.json", "fleet.json"} <= set(files)
    data = json.loads((folder / sorted(shifts)[0]).read_text(encoding="utf-8"))
    assert data["shift"] == "Monday early"
    assert any(name.startswith("shift-") and name.endswith(".csv") for name in files)


def test_a_report_is_written_in_the_language_asked_for(trialog, shift_id, monkeypatch):
    flag = trialog("report", "shift", shift_id, "--language", "es", "-o", "-").stdout
    assert '<html lang="es">' in flag
    monkeypatch.setenv("TRIALOG_LANGUAGE", "es")
    assert '<html lang="es">' in trialog("report", "shift", shift_id, "-o", "-").stdout


def test_without_a_browser_a_pdf_is_refused_and_html_offered(trialog, shop, tmp_path, monkeypatch):
    monkeypatch.setattr(printing, "NAMES", ("no-such-browser",))
    monkeypatch.delenv("TRIALOG_BROWSER", raising=False)
    one = trialog("report", "trial", "Arm", "--format", "pdf", "-o", tmp_path / "a.pdf")
    every = trialog("report", "--all", "--format", "pdf", "-o", tmp_path / "all")
    for result in (one, every):
        assert result.exit_code == 2
        assert "take the HTML document" in result.stderr
    written = [path.name for path in tmp_path.iterdir() if not path.name.startswith("trialog.db")]
    assert written == []
