"""The documents: self-contained, escaped, and every figure in them the engine's."""

from __future__ import annotations

import base64
import re
from html.parser import HTMLParser

import pytest
from support.cells import opening

from trialog.records.words import PlanKind
from trialog.reports import words
from trialog.reports.csv_form import as_csv
from trialog.reports.kinds import html_of
from trialog.reports.shift_report import build_shift_report
from trialog.reports.trial_report import build_trial_report


class Page(HTMLParser):
    """As much of a page as the tests look at: texts by element, figures, table cells, links."""

    VOID = ("meta", "link", "br", "img", "input")

    def __init__(self, html):
        super().__init__()
        self.stack, self.figures, self.rows, self.text = [], {}, [], []
        self.outside, self.elements, self.tables = [], [], {}
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        attributes = dict(attributes)
        self.elements.append(tag)
        self.outside += [value for name, value in attributes.items() if name in ("src", "href")]
        if tag == "table":
            self.tables[attributes.get("data-table")] = len(self.rows)
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th") and self.rows:
            self.rows[-1].append("")
        if tag not in self.VOID:
            self.stack.append((tag, attributes))

    def handle_endtag(self, tag):
        assert self.stack.pop()[0] == tag, f"</{tag}> closes another element"

    def handle_data(self, data):
        tags = [tag for tag, _ in self.stack]
        if "script" in tags or "style" in tags:
            return
        self.text.append(data)
        for _, attributes in self.stack:
            if "data-figure" in attributes:
                self.figures[attributes["data-figure"]] = data
        if {"td", "th"} & set(tags):
            self.rows[-1][-1] += data

    def row(self, first, table=None):
        """Return the first row, from a table on, whose first cell begins with a text."""
        rows = self.rows[self.tables[table] if table else 0 :]
        return next(row for row in rows if row and row[0].startswith(first))


@pytest.fixture
def reports(shop, zone):
    """A shift's and a trial's report, of records full of hostile texts."""
    trial = shop.trial(name="</script><i>trial</i>", kind=PlanKind.FIXED_SIZE)
    shop.rich_shift("<b>Early</b>")
    (shift,) = shop.shifts().values()
    return (
        build_shift_report(shop.session, shift, now=shop.now, zone=zone),
        build_trial_report(shop.session, trial, now=shop.now, zone=zone),
    )


def test_a_shifts_document_shows_the_engines_figures(reports):
    report, page = reports[0], Page(html_of(reports[0]))
    assert page.figures == {"logged": "400", "good": "397", "failed": "2", "no_tests": "1"}
    for rate in report.rates:
        cells = page.row(rate.name, "rates")
        assert cells[1:3] == [f"{rate.cycles:,}", f"{rate.failures:,}"]
        assert cells[4] == words.rate(rate.estimate)
        assert cells[5] == words.rate_up(rate.upper) + words.one_in(rate.upper)
        assert cells[6] == (
            f"{words.rate_down(rate.interval_lower)}to {words.rate_up(rate.interval_upper)}"
        )
    assert words.together(report.sentence) in "".join(page.text)
    assert report.counter.words in "".join(page.text)


def test_a_trials_document_shows_the_engines_figures(reports):
    report, page = reports[1], Page(html_of(reports[1]))
    verdict = report.verdict
    upper, limit = words.bound_and_limit(verdict.upper, verdict.limit)
    assert page.figures == {
        "cycles": "399",
        "failures": "2",
        "no_tests": "1",
        "estimate": words.rate(verdict.bounds.estimate),
        "upper": upper,
        "limit": limit,
        "proven": words.stretch(verdict.proven_stretch_seconds),
        "required": "30 min",
        "clean_cycles_to_go": "none lead to GO",
        "shifts_to_go": "–",
    }
    text = "".join(page.text)
    for reason in verdict.reasons:
        assert reason.name in text
        assert reason.detail in text
    assert words.together(report.sentence) in text


@pytest.mark.parametrize("which", [0, 1])
def test_every_document_carries_the_cautions_the_methods_and_lines_to_sign(reports, which):
    report = reports[which]
    text = "".join(Page(html_of(report)).text)
    for sentence in (*report.cautions, *report.methods):
        assert sentence in text
    assert "date and signature" in text
    assert "Europe/Berlin" in text


@pytest.mark.parametrize("which", [0, 1])
def test_what_people_typed_stays_text(reports, which):
    html = html_of(reports[which])
    page = Page(html)
    assert "</script><b>bold</b> & 'quoted'" in "".join(page.text)
    assert "i" not in page.elements
    assert "b" not in page.elements
    assert "</script><b>" not in html
    assert html.count("<script") == html.count("</script>")


@pytest.mark.parametrize("which", [0, 1])
def test_a_document_needs_nothing_from_elsewhere(reports, which):
    page = Page(html_of(reports[which]))
    assert [address for address in page.outside if not address.startswith("data:")] == []


def test_a_document_carries_the_chart_library_only_where_it_has_something_to_draw(shop, zone):
    trial = shop.trial()
    shop.write(opening("Early"))
    (shift,) = shop.shifts().values()
    html = html_of(build_shift_report(shop.session, shift, now=shop.now, zone=zone))
    assert len(html) < 60_000
    assert "No relevant failure so far." in html
    html = html_of(build_trial_report(shop.session, trial, now=shop.now, zone=zone))
    assert len(html) > 1_000_000
    assert re.search(r'<div class="rp-canvas" data-chart="chart-failures-over-cycles"', html)


@pytest.mark.parametrize("which", [0, 1])
def test_the_numbers_of_each_picture_can_be_had_from_the_document_itself(reports, which):
    report, page = reports[which], Page(html_of(reports[which]))
    files = [address for address in page.outside if address.startswith("data:text/csv;base64,")]
    drawn = [chart for chart in report.charts if chart.tables[0].name in page.tables]
    assert len(drawn) > 1
    assert [base64.b64decode(address.partition(",")[2]) for address in files] == [
        as_csv(table, report.clock) for chart in drawn_as_shown(page, drawn)
        for table in chart.tables
    ]  # fmt: skip


def drawn_as_shown(page, charts):
    """Return charts in the order in which a page shows their tables."""
    return sorted(charts, key=lambda chart: page.tables[chart.tables[0].name])


def test_the_chart_says_the_same_as_a_table(reports):
    page = Page(html_of(reports[1]))
    assert page.row("121") == ["121", "1", "exact"]
    assert page.row("322") == ["322", "2", "exact"]
    assert page.row("399") == ["399", "2", "now"]
