"""How a workbook's cells show their values: formats of numbers, and units in headings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from trialog.languages import mark, t
from trialog.reports.tables import Column, Table, Value

DIGITS, MOST_DECIMALS = 2, 12
"""Digits that are seen of a column's smallest number, and decimals spent on that at most."""

RATES = ("rate", "rate_up", "rate_down")
PERCENT = (*RATES, "chance", "share")
MEASURED = ("number", "number_up", "number_down")


SHEETS = (
    mark("attention"), mark("acknowledged"), mark("cells"), mark("chain"), mark("changes"),
    mark("clear times"), mark("comparisons"), mark("conditions"), mark("conditions asked"),
    mark("conditions by shift"), mark("conditions required"), mark("counter shifts"),
    mark("cycles between failures"), mark("decisions"), mark("failure modes"), mark("failures"),
    mark("failures by shift"), mark("lines"), mark("notes"), mark("operators"), mark("path"),
    mark("plan lines"), mark("proven stretch"), mark("rates"), mark("rates by revision"),
    mark("rates trial"), mark("recent shifts"), mark("revisions"), mark("shifts"),
    mark("sign-offs"), mark("spot checks"), mark("stages"), mark("stop-free chance"),
    mark("stops"), mark("tablets"), mark("trials"), mark("verdicts"),
)  # fmt: skip
"""Names of sheets, for the catalogue."""

OF_TABLE = {name.replace(" ", "-"): name for name in SHEETS}


def sheet_name(table: Table) -> str:
    """Return the name of a table's sheet; a number at the end of the table's name stays there."""
    words, dash, number = table.name.rpartition("-")
    if not (dash and number.isdecimal()):
        return t(OF_TABLE.get(table.name, table.name))
    return f"{t(OF_TABLE.get(words, words))} {number}"


def rates_among(pairs: Iterable[tuple[Column, Value]]) -> list[Value]:
    """Return the rates among the values of a table.

    They are all seen with as many decimals, so that a bound beside its limit never looks like the
    larger of the two where it is not.
    """
    return [value for column, value in pairs if column.kind in RATES]


def format_of(column: Column, values: Sequence[Value], rates: Sequence[Value] = ()) -> str:
    """Return the number format of a column that holds some values, in a table with some rates."""
    if column.kind == "moment":
        return "yyyy-mm-dd hh:mm"
    if column.in_seconds:
        return "[h]:mm:ss"
    if column.kind == "count":
        return "#,##0"
    if column.kind in PERCENT:
        shown = rates if rates and column.kind in RATES else values
        return f"0{_decimals(shown, 2)}%"
    return f"#,##0{_decimals(values, 0)}" if column.kind in MEASURED else "General"


def unit_of(column: Column, zone: str) -> str:
    """Return a column's unit as a workbook shows it."""
    if column.kind == "moment":
        return zone
    if column.in_seconds:
        return t("h:min:s")
    return column.unit


def _decimals(values: Sequence[Value], shift: int) -> str:
    """Return the decimals that show the smallest number, after its point went `shift` places."""
    numbers = [abs(value) for value in values if isinstance(value, int | float) and value]
    if not numbers or all(value * 10**shift == round(value * 10**shift) for value in numbers):
        return ""
    size = math.floor(math.log10(min(numbers))) + shift
    places = min(max(DIGITS - 1 - size, 1), MOST_DECIMALS)
    return "." + "0" * places
