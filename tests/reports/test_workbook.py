"""Reports as workbooks: every cell is the engine's number, of its type, and none is a formula."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from datetime import datetime, timedelta
from zipfile import ZipFile

import openpyxl
import pytest
from support.demo import DEMO_NOW, DEMO_ZONE
from support.sheets import Workbook, local, plain

from trialog.languages import speaking
from trialog.reports.document import Document
from trialog.reports.kinds import KINDS, render
from trialog.reports.sheet_formats import OF_TABLE, format_of, sheet_name
from trialog.reports.tables import Column, Table

HOSTILE = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "'quoted", "=HYPERLINK(\"file:///x\")", "＝1",
           "{=1}", "http://example.org", "x" * 40_000, "a\x07b", "_x0041_"]  # fmt: skip


def exactly(value):
    """Return what a number must equal: files hold 16 digits, one less than some numbers have."""
    return value if isinstance(value, str | None) else pytest.approx(value, rel=1e-15, abs=0)


@pytest.fixture(scope="module")
def workbook(demo_reports):
    """Return the function that gives a report of the demo and its workbook, read back."""

    def read(name):
        report, document = demo_reports(name)
        return report, Workbook(render(document, "xlsx").content, document)

    return read


def made_of(*tables, title="A title", sentence="A sentence."):
    return Document(
        kind="shift", stem="shift-1", title=title, about="a cell & more", sentence=sentence,
        language="en", produced_at=DEMO_NOW, clock=DEMO_ZONE, zone="Europe/Berlin", html="",
        tables=tables, data={}, cautions=("Careful.",), methods=("By hand.",),
    )  # fmt: skip


def read_back(document):
    return Workbook(render(document, "xlsx").content, document)


def check_rates(found, rates):
    assert len(found) == len(rates) > 0
    for row, rate in zip(found, rates, strict=True):
        assert row["subject"] == rate.name
        assert (row["cycles"], row["failures"]) == (rate.cycles, rate.failures)
        assert (row["no_tests"], row["unruled"]) == (rate.no_tests, rate.unruled)
        assert row["estimate"] == exactly(rate.estimate)
        assert row["upper"] == exactly(rate.upper)
        assert row["interval_lower"] == exactly(rate.interval_lower)
        assert row["interval_upper"] == exactly(rate.interval_upper)


def check_failures(found, failures):
    assert len(found) == len(failures) > 0
    for row, line in zip(found, failures, strict=True):
        assert (row["cycle"], row["mode"], row["device"]) == (line.cycle, line.mode, line.device)
        assert (row["at"], row["person"]) == (local(line.at, DEMO_ZONE), line.person)
        assert (row["effect"], row["ruling"]) == (line.effect, line.ruling)


def test_a_shifts_workbook_holds_the_engines_numbers(workbook):
    report, book = workbook("shift")
    assert book.book.worksheets[0]["A3"].value == report.sentence
    facts, counter, stops = book.facts(), book.facts("counter"), book.facts("interruptions")
    assert (facts["logged"], facts["good"]) == (report.logged, report.good)
    assert facts["opened_at"] == local(report.opened_at, DEMO_ZONE)
    assert facts["duration"] == pytest.approx(report.duration_seconds)
    assert counter["opening"] == report.counter.compared.opening
    assert counter["unlogged"] == report.counter.unlogged
    assert stops["availability"] == exactly(report.interruptions.availability)
    assert stops["mean_clear"] == pytest.approx(report.interruptions.mean_seconds)
    check_rates(book.rows("rates"), report.rates)
    for item in report.trials:
        check_rates(book.rows(f"rates-trial-{item.trial_id}"), item.rates)
    check_failures(book.rows("failures"), report.failures)
    stops = book.rows("stops")
    assert [row["clear"] for row in stops] == [stop.clear_seconds for stop in report.stops.each]
    assert [row["at"] for row in stops] == [local(s.at, DEMO_ZONE) for s in report.stops.each]
    trials = book.rows("trials")
    assert [row["verdict"] for row in trials] == [item.verdict.verdict for item in report.trials]
    assert [row["upper"] for row in trials] == exactly([one.verdict.upper for one in report.trials])
    proven = [item.verdict.proven_stretch_seconds for item in report.trials]
    assert [row["proven"] for row in trials] == pytest.approx(proven)
    people = [(one.name, one.logged, one.failed) for one in report.operators]
    assert [tuple(row.values()) for row in book.rows("operators")] == people


def test_a_trials_workbook_holds_the_engines_numbers(workbook):
    report, book = workbook("trial")
    verdict, facts = report.verdict, book.facts()
    assert facts["verdict"] == verdict.verdict
    assert facts["cycles"] == verdict.evidence.cycles
    assert facts["failures"] == verdict.evidence.failures
    assert (facts["upper"], facts["limit"]) == exactly((verdict.upper, verdict.limit))
    assert facts["proven"] == pytest.approx(verdict.proven_stretch_seconds)
    asked = book.facts("requirement")
    assert asked["pass_chance_at_limit"] == exactly(report.requirement.pass_chance_at_limit)
    assert asked["stretch_cycles"] == report.requirement.stretch_cycles
    check_rates(book.rows("rates"), report.rates)
    check_failures(book.rows("failures"), report.failures)
    assert [list(row.values())[:1] + list(row.values())[3:8] for row in book.rows("shifts")] == [
        [one.shift, one.logged, one.cycles, one.failures, one.no_tests, one.counted]
        for one in report.shifts
    ]
    for row, said in zip(book.rows("verdicts"), report.history, strict=True):
        assert (row["at"], row["verdict"]) == (local(said.at, DEMO_ZONE), said.verdict)
        assert (row["cycles"], row["failures"]) == (said.cycles, said.failures)
        assert row["proven"] == pytest.approx(said.proven_seconds)
    lines = [(one.name, "met" if one.met else "not met") for one in verdict.reasons]
    assert [(row["line"], row["met"]) for row in book.rows("lines")] == lines
    changes = [(one.what, one.device or "cell") for one in report.revisions]
    assert [(row["what"], row["device"]) for row in book.rows("changes")] == changes


def test_the_workbook_of_the_evidence_holds_the_engines_numbers(workbook):
    report, book = workbook("evidence")
    for row, period in zip(book.rows("revisions"), report.revisions.periods, strict=True):
        assert (row["what"], row["cycles"], row["failures"], row["no_tests"]) == (
            period.what, period.cycles, period.failures, period.no_tests,
        )  # fmt: skip
        assert row["estimate"] == exactly(period.estimate)
        assert row["upper"] == exactly(period.upper)
    for row, one in zip(book.rows("comparisons"), report.revisions.comparisons, strict=True):
        assert row["ratio"] == exactly(one.ratio)
        assert row["p_value"] == exactly(one.p_value)
    for row, one in zip(book.rows("counter-shifts"), report.counter.shifts, strict=True):
        assert (row["shift"], row["logged"], row["counted"], row["unlogged"]) == (
            one.shift, one.logged, one.counted, one.unlogged,
        )  # fmt: skip
        assert row["worst_estimate"] == exactly(one.worst.estimate)
        assert row["worst_upper"] == exactly(one.worst.upper)
    for row, one in zip(book.rows("conditions"), report.conditions.shifts, strict=True):
        assert (row["cold_starts"], row["tool_changes"]) == (one.cold_starts, one.tool_changes)
    totals = [(one.condition, one.met, one.asked or None) for one in report.conditions.totals]
    rows = book.rows("conditions-asked")
    assert [(row["condition"], row["met"], row["asked"]) for row in rows] == totals
    assert book.facts("counter")["worst_failures"] == report.counter.worst_case.failures


@pytest.mark.parametrize("name", list(KINDS))
def test_every_value_of_every_table_is_in_its_cell(workbook, demo_reports, name):
    _, document = demo_reports(name)
    _, book = workbook(name)
    for table in document.tables:
        found = [book.facts(table.name)] if table.upright else book.rows(table.name)
        assert len(found) == len(table.rows)
        for row, values in zip(found, table.rows, strict=True):
            for column, value in zip(table.columns, values, strict=True):
                check_cell(column, value, row[column.key])


def check_cell(column, value, cell):
    if value is None or value == "":
        assert cell in (None, column.missing)
    elif isinstance(value, datetime):
        assert cell == local(value, DEMO_ZONE)
    elif column.in_seconds and not isinstance(value, str):
        assert cell == pytest.approx(value, abs=1e-3)
    else:
        assert cell == exactly(value)


def test_cells_are_of_their_type_and_headings_have_units(workbook):
    _, book = workbook("shift")
    sheet = book.sheet("stops")
    assert [cell.value for cell in sheet[2]][:2] == ["time (Europe/Berlin)", "cleared in (h:min:s)"]
    assert (sheet["A3"].is_date, sheet["A3"].number_format) == (True, "yyyy-mm-dd hh:mm")
    assert sheet["B3"].number_format == "[h]:mm:ss"
    rates = book.sheet("rates")
    upper = next(cell for cell in rates[2] if cell.value.startswith("at most"))
    assert rates.cell(3, upper.column).number_format.endswith("%")
    assert isinstance(rates.cell(3, upper.column).value, float)
    assert "90 %" in upper.value


def test_headings_stay_in_sight_and_can_be_filtered(workbook):
    _, book = workbook("trial")
    for table in book.tables:
        if table.upright:
            continue
        sheet = book.sheet(table.name)
        assert sheet.freeze_panes == "B3"
        assert sheet.print_title_rows == "$2:$2"
        last = openpyxl.utils.get_column_letter(len(table.columns))
        filtered = f"A2:{last}{2 + len(table.rows)}" if table.rows else None
        assert sheet.auto_filter.ref == filtered
    widths = book.sheet("failures").column_dimensions
    assert all(width.width >= 9 for width in widths.values())


def test_pictures_are_drawn_from_the_cells(workbook):
    _, book = workbook("trial")
    charts = book.book["picture"]._charts
    assert [type(chart).__name__ for chart in charts].count("ScatterChart") == 1
    path = next(chart for chart in charts if type(chart).__name__ == "ScatterChart")
    rows = 2 + len(book.table("path").rows)
    assert path.series[0].yVal.numRef.f == f"path!$B$3:$B${rows}"
    assert path.series[0].xVal.numRef.f == f"path!$A$3:$A${rows}"


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_of_report_has_a_picture_of_its_own_in_the_workbook(workbook, name):
    _, book = workbook(name)
    assert book.book["picture"]._charts


def test_the_properties_say_what_it_is(workbook):
    report, book = workbook("shift")
    properties = book.book.properties
    assert properties.title == f"Shift {report.shift}, {report.cell.name}"
    assert properties.creator == "trialog"
    assert properties.created == datetime(2026, 11, 25, 12, 0)  # noqa: DTZ001 - the file has no zone


def test_text_stays_text_whatever_it_begins_with():
    table = Table(
        "notes", "=caption",
        (Column("text", "=heading"), Column("n", "n", "count", missing="=1+2")),
        tuple((text, None) for text in HOSTILE),
    )  # fmt: skip
    facts = Table("facts", "+facts", (Column("a", "@a"),), (("=1+1",),), upright=True)
    book = read_back(made_of(table, facts, title="=title", sentence="=sentence"))
    for sheet in book.book.worksheets:
        for row in sheet.iter_rows():
            filled = [cell for cell in row if cell.value is not None]
            assert all(cell.data_type == "s" or cell.is_date for cell in filled)
            assert all(cell.hyperlink is None for cell in row)
    cells = book.sheet("notes")["A"][2:]
    assert [cell.value for cell in cells[:10]] == HOSTILE[:10]
    assert [cell.quotePrefix for cell in cells[:8]] == [True] * 8
    assert cells[10].value == "x" * 32_766 + "…"
    assert cells[12].value == "_x0041_"


@pytest.mark.parametrize(
    ("kind", "values", "form"),
    [
        ("rate", [0.01, 0.000123], "0.000%"),
        ("rate_up", [0.5], "0%"),
        ("rate", [0.0, None], "0%"),
        ("rate", [1e-14], "0.000000000000%"),
        ("chance", [0.995], "0.0%"),
        ("number", [1234.5678], "#,##0.0"),
        ("number", [0.012345], "#,##0.000"),
        ("number", [3.0], "#,##0"),
        ("count", [3], "#,##0"),
        ("text", ["x"], "General"),
    ],
)
def test_as_many_decimals_are_seen_as_the_smallest_number_needs(kind, values, form):
    assert format_of(Column("x", "x", kind), values) == form


def test_a_table_without_rows_says_why_and_sheets_have_names_that_programs_take():
    columns = (Column("x", "x", "count"),)
    tables = [
        Table(name, "a table", columns, (), empty="Nothing yet.")
        for name in ("a/b:c*d", "a/b:c*d x", "n" * 40, "n" * 40 + "2", "'quoted'", "History", "?")
    ]
    document = made_of(*tables)
    book = openpyxl.load_workbook(filename=io.BytesIO(render(document, "xlsx").content))
    assert len(book.sheetnames) == 1 + len(tables)
    for name in book.sheetnames:
        assert 0 < len(name) <= 31
        assert not re.search(r"[\[\]:*?/\\]|^'|'$", name)
        assert name.lower() != "history"
    assert len({name.lower() for name in book.sheetnames}) == len(book.sheetnames)
    assert book.worksheets[1]["A3"].value == "Nothing yet."


def test_a_workbook_speaks_its_documents_language(demo_reports):
    _, document = demo_reports("trial", "es")
    book = openpyxl.load_workbook(io.BytesIO(render(document, "xlsx").content))
    english = Workbook(render(demo_reports("trial")[1], "xlsx").content, document)
    with speaking("es"):
        assert book.worksheets[0].title != english.book.worksheets[0].title
        assert document.sentence == book.worksheets[0]["A3"].value


def test_another_program_opens_and_recalculates_each_without_an_error(workbook, tmp_path):
    """LibreOffice, in a profile of its own, reads the workbooks and writes them anew."""
    books = {name: workbook(name)[1] for name in KINDS}
    for name, book in books.items():
        (tmp_path / f"{name}.xlsx").write_bytes(book.content)
    office = shutil.which("soffice")
    assert office, "the tests of workbooks need LibreOffice"
    subprocess.run(
        [office, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless",
         "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", tmp_path / "out",
         *(tmp_path / f"{name}.xlsx" for name in books)],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    for name, book in books.items():
        written = tmp_path / "out" / f"{name}.xlsx"
        there = openpyxl.load_workbook(written, data_only=True)
        assert there.sheetnames == book.book.sheetnames
        compared = sum(compare_cells(ours, there[ours.title]) for ours in book.book.worksheets)
        assert compared > 50, name
        with ZipFile(written) as parts:
            assert any(part.startswith("xl/charts/chart") for part in parts.namelist()), name
            sheets = [one for one in parts.namelist() if one.startswith("xl/worksheets/sheet")]
            assert not any(b"<f" in parts.read(one) for one in sheets), "a cell became a formula"


def compare_cells(ours, theirs):
    """Hold each cell that another program wrote to ours; return how many hold something."""
    compared = 0
    for row in ours.iter_rows():
        for cell in row:
            other, where = theirs[cell.coordinate], f"{ours.title}!{cell.coordinate}"
            assert other.data_type != "e", where
            compared += cell.value is not None
            found, expected = plain(other.value), plain(cell.value)
            if isinstance(expected, float):
                off = 1e-3 if cell.is_date else 0  # times are held as parts of a day
                assert found == pytest.approx(expected, rel=1e-12, abs=off), where
            elif isinstance(expected, datetime):
                assert abs(found - expected) < timedelta(seconds=1), where
            else:
                assert found == expected, where
    return compared


def test_a_bound_and_its_limit_are_seen_with_as_many_decimals():
    columns = (Column("upper", "at most", "rate_up"), Column("limit", "limit", "rate_down"))
    table = Table("trials", "t", columns, ((0.000312, 0.02466), (0.5, 0.02)))
    facts = Table("facts", "f", columns, ((0.02465, 0.000312),), upright=True)
    book = read_back(made_of(table, facts))
    assert {cell.number_format for row in book.sheet("trials")["A3:B4"] for cell in row} == {
        "0.000%"
    }
    facts = [row[0].number_format for row in book.book.worksheets[0]["B8:B9"]]
    assert facts == ["0.000%", "0.000%"]


def test_rows_that_a_sheet_has_no_room_for_are_said_to_be_in_the_other_file(monkeypatch):
    monkeypatch.setattr("trialog.reports.workbook.MOST_ROWS", 3)
    table = Table("n", "numbers", (Column("n", "n", "count"),), tuple((n,) for n in range(5)))
    book = read_back(made_of(table))
    assert [cell.value for cell in book.sheet("n")["A"]] == [
        "numbers; 2 more rows are in the CSV file", "n", 0, 1, 2,
    ]  # fmt: skip


@pytest.mark.parametrize("name", list(KINDS))
def test_every_sheet_has_a_name_that_can_be_translated(demo_reports, name):
    for table in demo_reports(name)[1].tables:
        assert table.upright or re.sub(r"-\d+$", "", table.name) in OF_TABLE


def test_a_number_in_a_tables_name_stays_at_its_end():
    assert sheet_name(Table("rates-trial-12", "r", (), ())) == "rates trial 12"
    assert sheet_name(Table("sign-offs", "s", (), ())) == "sign-offs"
    assert sheet_name(Table("12", "s", (), ())) == "12"
