"""A report's table as CSV: whole values under keys that stay, and no text that is a formula."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from support.demo import DEMO_ZONE

import trialog
from trialog.errors import InvalidValueError
from trialog.records.formulas import unguard
from trialog.reports.csv_form import as_csv
from trialog.reports.kinds import KINDS, render
from trialog.reports.tables import Column, Table


def read(content):
    return list(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))


def test_values_are_whole_times_have_their_offset_and_seconds_are_said_to_be_such():
    table = Table(
        "t", "a table",
        (Column("at", "time", "moment"), Column("upper", "at most", "rate_up"),
         Column("proven", "proven", "stretch"), Column("clear_seconds", "cleared in", "length"),
         Column("cycles", "cycles", "count"), Column("text", "text")),
        ((datetime(2026, 7, 1, 12, 0, 5, tzinfo=UTC), 0.1 + 0.2, 90.5, 41, 12_000, "a, \"b\"\nc"),
         (None, None, None, None, None, None)),
    )  # fmt: skip
    assert read(as_csv(table, DEMO_ZONE)) == [
        ["at", "upper", "proven_seconds", "clear_seconds", "cycles", "text"],
        ["2026-07-01T14:00:05+02:00", "0.30000000000000004", "90.5", "41", "12000", 'a, "b"\nc'],
        ["", "", "", "", "", ""],
    ]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "'quoted", " =1", "＝1"])
def test_no_text_becomes_a_formula_and_none_is_lost(text):
    content = as_csv(Table("t", "t", (Column("x", "x"),), ((text,),)), DEMO_ZONE)
    (cell,) = read(content)[1]
    assert cell.startswith("'")
    assert unguard(cell) == text


def test_a_number_below_zero_stays_a_number():
    content = as_csv(Table("t", "t", (Column("x", "x", "count"),), ((-3,),)), DEMO_ZONE)
    assert read(content)[1] == ["-3"]


def test_a_report_gives_its_main_table_and_every_other_by_its_name(demo_reports):
    report, document = demo_reports("shift")
    rows = read(render(document, "csv").content)
    assert rows == read(render(document, "csv", table="rates").content)
    assert [row[0] for row in rows[1:]] == [rate.name for rate in report.rates]
    assert [float(row[7]) for row in rows[1:]] == [rate.upper for rate in report.rates]
    stops = read(render(document, "csv", table="stops").content)
    assert [int(row[1]) for row in stops[1:]] == [s.clear_seconds for s in report.stops.each]
    with pytest.raises(InvalidValueError, match=r"table must be one of .*stops.*, got 'nothing'"):
        render(document, "csv", table="nothing")


@pytest.mark.parametrize("name", list(KINDS))
def test_headings_stay_in_every_language_and_no_key_stands_twice(demo_reports, name):
    spanish = demo_reports(name, "es")[1]
    for table in demo_reports(name)[1].tables:
        head = read(render(demo_reports(name)[1], "csv", table=table.name).content)[0]
        assert len(set(head)) == len(head)
        assert head == read(render(spanish, "csv", table=table.name).content)[0]


@pytest.mark.parametrize("name", list(KINDS))
def test_the_help_names_every_table_in_its_order(demo_reports, name):
    text = (Path(trialog.__file__).parent / "docs" / "reports.md").read_text(encoding="utf-8")
    (line,) = re.findall(rf"^\| {name} \| (`.*) \|$", text, flags=re.MULTILINE)
    told = re.findall(r"`([a-z-]+)`", line)
    report, _ = demo_reports(name)
    there = [re.sub(r"\d+$", "", table.name) for table in KINDS[name].tables(report)]
    assert list(dict.fromkeys(there)) == [one for one in told if one in there]
    assert set(told) - set(there) <= {"spot-checks", "spot-check-totals"}  # the demo has none
