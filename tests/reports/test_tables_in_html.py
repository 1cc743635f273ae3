"""The tables of a document, read out of its HTML: the engine's numbers, rounded and whole."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest
from support.demo import DEMO_ZONE

from trialog.languages import speaking
from trialog.reports import words
from trialog.reports.kinds import KINDS


class Tables(HTMLParser):
    """Rows by the table's name; each cell its pieces of text, and the whole numbers behind them."""

    def __init__(self, html):
        super().__init__()
        self.tables, self.wholes, self._name, self._in_cell = {}, {}, None, False
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        attributes = dict(attrs)
        if tag == "table":
            self._name = attributes.get("data-table")
            # A picture's table may stand in the document twice; either must be right.
            self.tables.setdefault(self._name, []).append([])
            self.wholes.setdefault(self._name, []).append([])
        elif tag == "tr":
            self.tables[self._name][-1].append([])
            self.wholes[self._name][-1].append([])
        elif tag in ("td", "th"):
            self.tables[self._name][-1][-1].append([])
            self._in_cell = True
        elif tag == "data" and self._in_cell:
            self.wholes[self._name][-1][-1].append(float(attributes["value"]))

    def handle_endtag(self, tag):
        if tag in ("td", "th"):
            self._in_cell = False

    def handle_data(self, data):
        if self._in_cell and data.strip():
            self.tables[self._name][-1][-1][-1].append(data.strip())


@pytest.fixture(scope="module")
def read(demo_reports):
    """Return the function that gives a report of the demo, its document, and the tables in it."""

    def of(name, language="en"):
        report, document = demo_reports(name, language)
        return report, document, Tables(document.html)

    return of


def pieces(cell):
    """Return what a cell of a table says: its words, then those that stand aside."""
    return [said for said in (cell.words, *(aside.words for aside in cell.asides)) if said.strip()]


def wholes(row):
    """Return the whole numbers behind a row's words, in their order."""
    cells = [one for cell in row for one in (cell, *cell.asides)]
    return [cell.whole for cell in cells if cell.whole is not None]


@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("name", list(KINDS))
def test_each_table_says_its_values_in_words_and_carries_them_whole(read, name, language):
    _, document, page = read(name, language)
    compared = 0
    for table in document.tables:
        for shown, numbers in zip(
            page.tables.get(table.name, []), page.wholes.get(table.name, []), strict=True
        ):
            head, *rows = shown
            assert [" ".join(cell) for cell in head] == [column.title for column in table.shown]
            cells = spoken(table, language)
            assert [[" ".join(cell) for cell in row] for row in rows] == [
                [" ".join(" ".join(pieces(cell)).split()) for cell in row] for row in cells
            ]
            assert numbers[1:] == [wholes(row) for row in cells]
            compared += len(rows)
    assert compared >= 2


def spoken(table, language):
    with speaking(language):
        return table.cells(DEMO_ZONE)


def test_the_rates_of_a_trial_are_the_engines(read):
    report, _, page = read("trial")
    (_, *rows), (_, *numbers) = page.tables["rates"][0], page.wholes["rates"][0]
    for rate, row, whole in zip(report.rates, rows, numbers, strict=True):
        assert row[0][0] == rate.name
        assert row[1:3] == [[f"{rate.cycles:,}"], [f"{rate.failures:,}"]]
        assert row[4] == [words.rate(rate.estimate)]
        assert row[5] == [words.rate_up(rate.upper), words.one_in(rate.upper)]
        assert row[6] == [
            words.rate_down(rate.interval_lower), f"to {words.rate_up(rate.interval_upper)}",
        ]  # fmt: skip
        assert whole == [rate.estimate, rate.upper, rate.interval_lower, rate.interval_upper]


def test_the_shifts_of_a_trial_are_the_engines(read):
    report, _, page = read("trial")
    _, *rows = page.tables["shifts"][0]
    assert rows == [
        [[one.shift], [words.moment(one.opened_at, DEMO_ZONE)],
         [words.moment(one.closed_at, DEMO_ZONE)], [f"{one.logged:,}"], [f"{one.cycles:,}"],
         [f"{one.failures:,}"], [f"{one.no_tests:,}"], [f"{one.counted:,}", one.counter]]
        for one in report.shifts
    ]  # fmt: skip


def test_the_stops_of_a_shift_are_the_engines(read):
    report, _, page = read("shift")
    _, *rows = page.tables["stops"][0]
    assert len(rows) == report.stops.count > 0
    for stop, row in zip(report.stops.each, rows, strict=True):
        assert row[0] == [words.moment(stop.at, DEMO_ZONE)]
        assert row[1] == [words.length(stop.clear_seconds)]
