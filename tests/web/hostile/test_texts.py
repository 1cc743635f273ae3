"""What people type stays text: on every page, in every file, in every refusal."""

from __future__ import annotations

import csv
import io
import re
from html import escape

import openpyxl
import pytest
from sqlalchemy import select
from support.hostile import FORMULA, SCRIPT, TURNED, faults_of, looked_at, poison, typed_columns

from trialog.records.models import KeptReport
from trialog.records.words import Role
from trialog.reports.kinds import KINDS
from trialog.reports.sheet_charts import _no_reference

pytestmark = pytest.mark.database("sqlite")  # what a page shows does not depend on the database

FORMULA_SIGNS = re.compile(r"\s*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n]")
"""What a spreadsheet takes for a formula (OWASP, "CSV Injection")."""


def is_document(endpoint):
    return endpoint.startswith("downloads.") or endpoint == "kept.file"


@pytest.mark.parametrize("text", [SCRIPT, FORMULA + TURNED.replace("\0", "")])
def test_hostile_text_in_every_column_stays_text_on_every_page(
    app, session, records, visitor_as, text
):
    poison(session, text)
    faults, seen = [], set()
    for role in (Role.ADMIN, Role.APPROVER):
        visit = visitor_as(role).client
        for endpoint, address in looked_at(app, records):
            with visit.get(address) as answer:
                assert answer.status_code < 500, address
                if answer.mimetype == "text/html":
                    found = faults_of(answer, document=is_document(endpoint))
                    faults += [(address, fault) for fault in found]
                    seen |= {endpoint} if shows(answer.text, text) else set()
    assert faults == []
    assert {"home.index", "setup.cell", "trials.show", "shifts.report", "people.index",
            "tablets.parked", "downloads.trial", "audit.index"} <= seen  # fmt: skip


def shows(page, text):
    """Whether a page shows a text, escaped in one of the ways that mean the same."""
    sign = text[:14]
    return any(one in page for one in (escape(sign), escape(sign).replace("&quot;", "&#34;")
               .replace("&#x27;", "&#39;")))  # fmt: skip


def test_a_column_that_somebody_types_into_is_on_the_list_by_itself(session):
    """A new column of text is poisoned too, unless it is named as one that nobody types."""
    names = {str(column) for column in typed_columns()}
    assert {"trial.name", "entry.text", "entry.reason", "photo.filename", "sign_off.statement",
            "parked_line.line", "client.name", "import_draft.filename"} <= names  # fmt: skip


@pytest.mark.parametrize("text", [SCRIPT, FORMULA, "=Sheet!A1"])
def test_hostile_text_stays_text_in_every_file(app, session, records, engineer, text):
    poison(session, text)
    reached = 0
    for endpoint, address in looked_at(app, records):
        if not is_document(endpoint):
            continue
        ways = [address.replace(".html", f".{form}") for form in ("json", "csv", "xlsx")]
        for way in ways:
            with engineer.get(way) as answer:
                assert answer.status_code == 200, way
                disposition = answer.headers["Content-Disposition"]
                assert re.fullmatch(r'attachment; filename="[\w.-]+"', disposition), disposition
                reached += check_file(way, answer, text)
    assert reached > len(KINDS)
    for way in ("/audit.csv", "/trials/1/export.csv", "/audit.json"):
        with engineer.get(way) as answer:
            assert answer.status_code == 200, way
            check_file(way, answer, text)


def test_a_name_like_a_reference_to_a_cell_makes_no_reference_of_a_pictures_title():
    """`!A1` in a device's name had a workbook's picture point at a sheet that is not there."""
    assert _no_reference("Failures of Line!A1, by hand") == "Failures of Line!\u2060A1, by hand"
    taken = re.compile(r"^=?[^!]+!\$?[A-Z]+\$?\d+")  # XlsxWriter, chart.py, _process_names
    assert taken.match("Failures of Line!A1")
    assert not taken.match(_no_reference("Failures of Line!A1"))


def check_file(way, answer, text):
    """Check that no cell of a file is a formula; return whether it holds the text at all."""
    if way.endswith("xlsx"):
        book = openpyxl.load_workbook(io.BytesIO(answer.data))
        cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
        assert not [cell.value for cell in cells if cell.data_type == "f"]
        assert not [cell for cell in cells if cell.hyperlink]
        return any(isinstance(cell.value, str) and text.strip() in cell.value for cell in cells)
    if way.endswith("csv"):
        rows = list(csv.reader(io.StringIO(answer.get_data(as_text=True), newline="")))
        cells = [cell for row in rows for cell in row]
        assert not [cell for cell in cells if FORMULA_SIGNS.match(cell) and not number(cell)]
        return any(text in cell for cell in cells)
    assert answer.mimetype == "application/json"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    return True


def number(cell):
    try:
        return bool(str(float(cell)))
    except ValueError:
        return False


def test_a_report_that_was_kept_before_shows_hostile_text_as_text(app, session, records, admin):
    """Frozen as HTML by our own templates, with the names of that time."""
    kept = session.scalars(select(KeptReport.id)).all()
    assert kept
    for one in kept:
        answer = admin.get(f"/reports/{one}")
        assert faults_of(answer) == []
