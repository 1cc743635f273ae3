"""`reports` and `report kept`: what is kept, made from the command line, and written out again."""

from __future__ import annotations

import json

import pytest

from trialog.records.models import KeptReport
from trialog.reports import keeping

pytestmark = pytest.mark.database("sqlite")  # what keeps a report is tried on both elsewhere


def test_nothing_is_kept_before_a_shift_is_closed(trialog):
    said = trialog("reports", "--make")
    assert (said.exit_code, said.stdout) == (0, "0 kept reports, 0 due.\n")


def test_what_is_due_is_listed_and_made_on_request(trialog, shop, session):
    said = trialog("reports").stdout
    assert said == "0 kept reports, 1 due.\n    due  2026-03-02 12:00  Monday early\n"
    said = trialog("reports", "--make")
    assert said.exit_code == 0
    assert "1 kept report, 0 due." in said.stdout
    assert "Shift Monday early, Lathe 4\n" in said.stdout


def test_a_kept_report_is_written_in_any_form(trialog, shop, tmp_path):
    (line,) = json.loads(trialog("reports", "--make", "--json").stdout)["reports"]
    assert (line["kind"], line["version"], line["replaced_at"]) == ("shift", 1, None)
    data = json.loads(trialog("report", "kept", line["id"], "--json").stdout)
    assert (data["shift"], data["logged"]) == ("Monday early", 42)
    target = tmp_path / "kept.html"
    said = trialog("report", "kept", line["id"], "-o", target)
    assert said.stdout == f"Wrote {target}.\n"
    assert "Monday early" in target.read_text(encoding="utf-8")


def test_they_are_found_by_cell_kind_and_day(trialog, shop):
    trialog("reports", "--make")

    def found(*options):
        return len(json.loads(trialog("reports", *options, "--json").stdout)["reports"])

    assert found("--cell", "Lathe 4", "--kind", "shift", "--from", "2026-03-02") == 1
    assert found("--kind", "trial") == 0
    assert found("--to", "2026-03-01") == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("reports", "--cell", "Mill 9"), "cell must be one of the records, got 'Mill 9'"),
        (("reports", "--from", "soon"), "from must be a day such as 2026-03-31, got 'soon'"),
        (("report", "kept", "7", "--json"), "report must be the id of a kept report, got 7"),
        (("report", "kept", "7"), "-o must name the file to write"),
    ],
    ids=" ".join,
)
def test_what_is_not_there_is_named(trialog, words, said):
    result = trialog(*words)
    assert result.exit_code == 2
    assert said in result.stderr


def test_what_cannot_be_made_is_listed_with_why(trialog, shop, session, monkeypatch):
    def broken(_document):
        raise ZeroDivisionError("no such luck")

    monkeypatch.setattr(keeping, "freeze", broken)
    said = trialog("reports", "--make")
    assert said.exit_code == 1
    assert "tries: 1; ZeroDivisionError: no such luck" in said.stdout
    session.rollback()
    assert session.query(KeptReport).count() == 0
