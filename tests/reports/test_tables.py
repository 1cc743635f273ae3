"""Tables of reports: typed values under columns, and how they are said."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from trialog.errors import InvalidValueError
from trialog.reports.tables import Column, Table

BERLIN = ZoneInfo("Europe/Berlin")
AT = datetime(2026, 11, 20, 12, 30, tzinfo=UTC)


def one_cell(column, value):
    return Table("t", "a table", (column,), ((value,),))


@pytest.mark.parametrize(
    ("kind", "value", "words"),
    [
        ("text", "as it is", "as it is"),
        ("count", 12_345, "12,345"),
        ("number", 1234.5, "1,230"),
        ("number", 812, "812"),
        ("number_up", 1234.5, "1,240"),
        ("number_down", 1239.5, "1,230"),
        ("rate", 0.001264, "0.13 %"),
        ("rate_up", 0.001211, "0.13 %"),
        ("rate_down", 0.001299, "0.12 %"),
        ("chance", 0.995, "99.5 %"),
        ("share", 0.9999, "over 99.9 %"),
        ("stretch", 3599.9, "59 min"),
        ("length", 3599.9, "1 h"),
        ("moment", AT, "2026-11-20 13:30"),
        ("count", "any number", "any number"),
        ("rate", None, "–"),
    ],
)
def test_each_kind_of_value_is_said_in_its_own_way(kind, value, words):
    assert one_cell(Column("key", "heading", kind), value).in_words(BERLIN) == ((words,),)


def test_a_column_has_its_word_for_what_is_missing():
    column = Column("proven", "proven", "stretch", missing="no limit")
    assert one_cell(column, None).in_words(BERLIN) == (("no limit",),)


def test_the_unit_stands_in_the_heading():
    assert Column("cycle", "planned cycle", "number", "s").title == "planned cycle (s)"
    assert Column("cycle", "planned cycle", "number").title == "planned cycle"


def test_a_page_gets_the_whole_number_behind_a_rounded_one_and_none_behind_a_count():
    table = Table(
        "t", "a table",
        (Column("cycles", "cycles", "count"), Column("rate", "rate", "rate"),
         Column("text", "text", "rate")),
        ((7, 0.001264, "unknown"),),
    )  # fmt: skip
    assert [cell.whole for cell in table.cells(BERLIN)[0]] == [None, 0.001264, None]


def test_what_is_said_aside_goes_below_the_value_before_it_and_into_files_as_a_column():
    table = Table(
        "t", "a table",
        (
            Column("mode", "mode"),
            Column("effect", "effect", aside="{value}"),
            Column("unruled", "not ruled on", "count", aside="{value} not ruled on"),
            Column("level", "level", on_page=False),
            Column("cycles", "cycles", "count"),
        ),
        (("dropped {value}", "stops the cell", 1200, "mode", 9), ("slow", None, 0, "mode", 9)),
        head="cycles",
    )  # fmt: skip
    first, second = table.cells(BERLIN)
    assert [cell.words for cell in first] == ["dropped {value}", "9"]
    assert [aside.words for aside in first[0].asides] == ["stops the cell", "1,200 not ruled on"]
    assert second[0].asides == ()
    assert [column.key for column in table.shown] == ["mode", "cycles"]
    assert table.head_place == 1
    assert len(table.in_words(BERLIN)[0]) == 5


def test_a_moment_needs_a_zone_to_be_said_in():
    table = one_cell(Column("at", "at", "moment"), AT)
    with pytest.raises(InvalidValueError, match="clock"):
        table.in_words()


@pytest.mark.parametrize(
    ("kind", "value"),
    [("text", 1), ("count", AT), ("count", True), ("moment", 5)],
)
def test_a_value_must_be_of_its_columns_kind(kind, value):
    with pytest.raises(InvalidValueError, match=f"t key must be of kind {kind}"):
        one_cell(Column("key", "heading", kind), value)


def test_a_row_must_have_a_value_for_each_column():
    with pytest.raises(InvalidValueError, match="t row must have 1 values, got 2"):
        Table("t", "a table", (Column("a", "a"),), (("x", "y"),))


def test_a_bound_and_its_limit_are_told_with_digits_enough_to_show_which_is_larger():
    columns = Column("upper", "at most", "rate_up"), Column("limit", "limit", "rate_down")
    rows = ((0.000244, 0.000247), (0.01, 0.002), (0.5, None), ("–", 0.1234))
    assert Table("t", "a table", columns, rows).in_words() == (
        ("0.0244 %", "0.0247 %"), ("1.0 %", "0.20 %"), ("50 %", "–"), ("–", "12 %"),
    )  # fmt: skip
    other = columns[0], Column("allowed", "allowed", "rate_down")
    assert Table("t", "a table", other, rows[:1]).in_words() == (("0.025 %", "0.024 %"),)
