"""A report's files for programs: the form is the ending of the address, the table is asked for."""

from __future__ import annotations

import csv
import io

import openpyxl
import pytest

from trialog.evidence import judge
from trialog.reports.kinds import KINDS
from trialog.reports.schema import schema_of

pytestmark = pytest.mark.database("sqlite")  # what is asked of the database is what the page asks


def test_a_workbook_is_a_file_to_keep_with_the_engines_numbers(on_trial, operator):
    on_trial.shift("A", good=500)
    answer = operator.get(f"{on_trial.url}/report.xlsx")
    named = f'attachment; filename="trial-{on_trial.trial.id}.xlsx"'
    assert answer.headers["Content-Disposition"] == named
    assert answer.mimetype.endswith("spreadsheetml.sheet")
    book = openpyxl.load_workbook(io.BytesIO(answer.data))
    rates = list(book["rates"].iter_rows(min_row=3, values_only=True))
    verdict = judge(on_trial.session, on_trial.trial)
    assert rates[0][0] == verdict.subject
    assert rates[0][3] == verdict.evidence.cycles == 500


def test_csv_holds_the_table_asked_for(on_trial, operator):
    on_trial.shift("=A", good=500)
    answer = operator.get(f"{on_trial.url}/report.csv?table=shifts")
    assert answer.mimetype == "text/csv"
    head, row = csv.reader(io.StringIO(answer.text, newline=""))
    found = dict(zip(head, row, strict=True))
    assert (found["shift"], found["cycles"]) == ("'=A", "500")


def test_a_table_that_there_is_not_is_refused_with_those_that_there_are(on_trial, operator):
    answer = operator.get(f"{on_trial.url}/report.csv?table=%3Cb%3E")
    assert answer.status_code == 422
    assert "shifts" in answer.text
    assert "&lt;b&gt;" in answer.text


def test_the_schema_of_each_kind_is_there_without_signing_in(stranger):
    for name, kind in KINDS.items():
        answer = stranger.get(f"/help/schema/{name}.json")
        assert answer.get_json(force=True) == schema_of(kind)
        assert answer.mimetype == "application/schema+json"
    assert stranger.get("/help/schema/nothing.json").status_code == 404
