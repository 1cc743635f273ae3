"""Reports on paper: the PDFs of the demo hold every figure of the engine, whole, on every page."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache, cached_property
from html import unescape
from io import BytesIO

import pypdfium2
import pytest
from pypdf import PdfReader
from sqlalchemy import select
from sqlalchemy.orm import Session
from support.demo import DEMO_NOW, DEMO_ZONE

from trialog.records.models import Cell, Shift
from trialog.records.queries import find_trial
from trialog.reports import kinds, words

# What stands on paper has nothing to do with which database keeps the records.
pytestmark = pytest.mark.database("sqlite")

POINTS_PER_MM = 72 / 25.4
SIZES = {"a4": (210, 297), "letter": (215.9, 279.4)}
MARGIN = 14
FOOTER = 14 * POINTS_PER_MM
"""What stands lower is the foot of the page."""

HEADING = re.compile(r"<h2[^>]*>([^<]+)</h2>")


@dataclass(frozen=True)
class Printed:
    """A report, the document made of it, and the PDF made of that."""

    report: object
    document: object
    paper: str
    content: bytes

    @cached_property
    def pages(self):
        return PdfReader(BytesIO(self.content)).pages

    @cached_property
    def raw(self):
        """The text of each page, as somebody who selects all of it has it."""
        pages = pypdfium2.PdfDocument(self.content)
        return [page.get_textpage().get_text_range() for page in pages]

    @cached_property
    def texts(self):
        return [squeezed(text) for text in self.raw]

    @cached_property
    def text(self):
        return "".join(self.texts)


def squeezed(text):
    """Return a text without blanks: where a line breaks on paper is no matter."""
    text = text.replace("\ufffe", "-")  # how a hyphen is read at which a line breaks
    return "".join(unicodedata.normalize("NFKC", text).split())


WANTED = {
    "trial": ("a4", lambda session: find_trial(session, "Felt cradle, by hand")),
    "shift": ("letter", lambda session: session.get(Shift, 12)),
    "evidence": ("letter", lambda session: find_trial(session, "Flood lance, by hand")),
    "cell": ("letter", lambda session: session.scalars(select(Cell)).one()),
    "fleet": ("a4", lambda _: None),
}


@pytest.fixture(scope="module")
def printed(demo_engine):
    """Return the function that prints one report of each kind, each once."""

    @cache
    def make(name):
        paper, find = WANTED[name]
        kind = kinds.KINDS[name]
        with Session(demo_engine) as session:
            about = () if kind.model is None else (find(session),)
            report = kind.build(session, *about, now=DEMO_NOW, zone=DEMO_ZONE)
        document = kinds.document(report)
        file = kinds.render(document, "pdf", paper=paper)
        assert (file.name, file.media_type) == (f"{document.stem}.pdf", "application/pdf")
        return Printed(report, document, paper, file.content)

    return make


each = pytest.mark.parametrize("name", WANTED)


def assert_shown(printed, *texts):
    """Check that texts stand in a PDF in that order, right after each other."""
    wanted, found = squeezed("".join(texts)), printed.text
    assert wanted in found, f"{texts} is not in the PDF"


def moment(at):
    return words.moment(at, DEMO_ZONE)


def assert_rates_shown(printed, rows):
    assert rows
    for row in rows:
        cells = [words.number(row.cycles), words.number(row.failures), words.number(row.no_tests)]
        cells += [words.rate(row.estimate), words.rate_up(row.upper), words.one_in(row.upper)]
        cells.append(words.rate_down(row.interval_lower))
        unruled = f"{words.number(row.unruled)} not ruled on" if row.unruled else ""
        assert_shown(printed, row.name, row.effect or "", unruled, *cells)
        assert_shown(printed, words.rate_up(row.interval_upper))


def assert_failures_shown(printed, lines):
    for line in lines:
        cycle = words.number(line.cycle)
        place = (cycle, moment(line.at), line.person or "")
        assert_shown(printed, *place, line.mode, line.device, line.effect, line.ruling)


def test_a_trials_pdf_holds_every_figure_of_its_verdict(printed):
    found = printed("trial")
    report, verdict = found.report, found.report.verdict
    evidence = verdict.evidence
    upper, limit = words.bound_and_limit(verdict.upper, verdict.limit)
    assert (evidence.failures > 0, len(report.shifts) > 20) == (True, True)
    assert_shown(found, verdict.verdict, report.sentence)
    figures = [
        ("counted cycles", words.number(evidence.cycles)),
        ("relevant failures", words.number(evidence.failures)),
        ("no-tests", words.number(evidence.no_tests)),
        ("failure rate", words.rate(verdict.bounds.estimate)),
        (f"at most, at {words.chance(verdict.bounds.confidence)} confidence", upper),
        ("limit", limit),
        ("proven stretch", words.stretch(verdict.proven_stretch_seconds)),
        ("required stretch", words.length(verdict.required_stretch_seconds)),
    ]
    for label, figure in figures:
        assert_shown(found, label, figure)
    for reason in verdict.reasons:
        assert_shown(found, "met" if reason.met else "not met", reason.name, reason.detail)
        assert_shown(found, *reason.would_change)


def test_a_trials_pdf_holds_every_line_of_its_tables(printed):
    found = printed("trial")
    report = found.report
    assert_rates_shown(found, report.rates)
    for row in report.shifts:
        counts = (row.logged, row.cycles, row.failures, row.no_tests, row.counted)
        said = [words.number(count) for count in counts]
        assert_shown(found, row.shift, moment(row.opened_at), moment(row.closed_at), *said)
    for row in report.history:
        stretch = row.proven_seconds
        proven = "no limit" if stretch is None else words.stretch(stretch)
        counts = (words.number(row.cycles), words.number(row.failures), proven)
        assert_shown(found, moment(row.at), row.verdict, *counts, row.changed)
    for row in report.revisions:
        assert_shown(found, moment(row.at), row.device or "cell", row.what)
    assert len(report.failures) > 50
    assert_failures_shown(found, report.failures)
    for noted in report.acknowledgements:
        assert_shown(found, noted.person, ",", moment(noted.at), ":", noted.text)


def test_a_shifts_pdf_holds_every_figure(printed):
    found = printed("shift")
    report = found.report
    assert_shown(found, report.sentence)
    for label, figure in (
        ("cycles logged", report.logged), ("good", report.good), ("failed", report.failed),
        ("no-tests", report.no_tests),
    ):  # fmt: skip
        assert_shown(found, label, words.number(figure))
    for person in report.operators:
        assert_shown(found, person.name, words.counted(person.logged, "cycle"))
    for condition in report.conditions:
        assert_shown(found, condition.what, ": " if condition.text else "", condition.text)
    assert_rates_shown(found, report.rates)
    assert report.failures
    assert_failures_shown(found, report.failures)
    for item in report.trials:
        assert_shown(found, item.verdict.verdict, item.verdict.trial)
        assert_shown(found, item.sentence)
        assert_rates_shown(found, item.rates)
    assert_shown(found, report.counter.words)
    assert report.stops.each
    for stop in report.stops.each:
        assert_shown(found, moment(stop.at), words.length(stop.clear_seconds), stop.person)
    for note in report.notes:
        assert_shown(found, moment(note.at), ",", note.person, note.text)


def test_an_evidence_pdf_holds_every_figure(printed):
    found = printed("evidence")
    report = found.report
    assert_shown(found, report.verdict, report.sentence)
    assert_shown(found, report.counter.words)
    assert_shown(found, report.conditions.words)
    for period in report.revisions.periods:
        counts = [words.number(n) for n in (period.cycles, period.failures, period.no_tests)]
        rates = (words.rate(period.estimate), words.rate_up(period.upper))
        assert_shown(found, period.what)
        assert_shown(found, *counts, *rates)
    assert report.counter.shifts
    for row in report.counter.shifts:
        said = [words.number(count) for count in (row.logged, row.counted, row.unlogged)]
        assert_shown(found, row.shift, *said)


@pytest.mark.parametrize("name", ["cell", "fleet"])
def test_the_pdf_of_a_cell_and_of_all_cells_hold_every_figure(printed, name):
    found = printed(name)
    assert_shown(found, found.report.sentence)
    cells = [found.report] if name == "cell" else found.report.cells
    trials = [one for cell in cells for stage in cell.stages for one in stage.trials]
    assert len(trials) == 4
    for one in trials:
        upper, limit = words.bound_and_limit(one.upper, one.limit)
        counts = (words.number(one.cycles), words.number(one.failures))
        proven = (
            "no limit"
            if one.proven_stretch_seconds is None
            else words.stretch(one.proven_stretch_seconds)
        )
        stretches = (proven, words.length(one.required_stretch_seconds))
        assert_shown(found, *counts, upper, limit, *stretches)
    assert "RUNNING" in " ".join(found.raw), "a word is not broken to fit its column"


def test_the_pdf_of_a_cell_holds_its_newest_shifts(printed):
    found = printed("cell")
    assert found.report.shifts
    for row in found.report.shifts:
        counts = [words.number(count) for count in (row.logged, row.counted, row.failed)]
        times = (moment(row.opened_at), moment(row.closed_at))
        assert_shown(found, row.shift, row.stage, *times, *counts)


@pytest.mark.parametrize("name", [name for name in WANTED if name != "fleet"])
def test_a_pdf_ends_with_methods_then_cautions_then_lines_to_sign_on_one_page(printed, name):
    found = printed(name)
    text = found.text
    for sentence in (*found.report.methods, *found.report.cautions):
        assert_shown(found, sentence)
    order = ["Method and sources", found.report.methods[0], found.report.cautions[-1]]
    order += ["Read on paper:", "date and signature"]
    places = [text.index(squeezed(part)) for part in order]
    assert places == sorted(places)
    signed = [page for page in found.texts if squeezed("Read on paper:") in page]
    assert len(signed) == 1
    assert squeezed("name, approver") in signed[0]
    assert squeezed("is made in trialog.") in signed[0]


@each
def test_every_page_says_what_it_is_of_when_it_was_made_and_its_number(printed, name):
    found = printed(name)
    total = len(found.pages)
    assert total > 1
    for number, page in enumerate(found.texts, start=1):
        assert squeezed(f"Page {number} of {total}") in page
        assert squeezed(found.document.title) in page
        assert squeezed(f"as of {moment(DEMO_NOW)} (Europe/Berlin)") in page
        assert "Cell5" in page or name == "fleet"


@each
def test_pages_have_the_size_of_the_paper_asked_for(printed, name):
    found = printed(name)
    for page in found.pages:
        size = [float(side) / POINTS_PER_MM for side in page.mediabox[2:]]
        assert size == pytest.approx(SIZES[found.paper], abs=0.3)


@each
def test_nothing_is_cut_or_stands_in_the_margins(printed, name):
    """Look at the pages as pictures, and at where each piece of text lies."""
    for page in pypdfium2.PdfDocument(printed(name).content):
        width, height = page.get_size()
        texts = page.get_textpage()
        for place in range(texts.count_rects()):
            left, bottom, right, top = texts.get_rect(place)
            assert left > MARGIN * POINTS_PER_MM - 1
            assert right < width - MARGIN * POINTS_PER_MM + 1
            assert 0 < bottom < top < height
        picture = page.render(scale=1).to_pil().convert("L")
        edge = round(5 * POINTS_PER_MM)
        inner = (edge, edge, picture.width - edge, picture.height - edge)
        picture.paste(255, inner)
        assert picture.getextrema() == (255, 255), "something is printed at the edge"


@each
def test_fonts_are_in_the_file(printed, name):
    fonts = {}
    for page in printed(name).pages:
        for font in page["/Resources"]["/Font"].values():
            found = font.get_object()
            inner = found.get("/DescendantFonts", [found])[0].get_object()
            fonts[found["/BaseFont"] if "/BaseFont" in found else id(found)] = inner
    assert fonts
    for font in fonts.values():
        held = font.get("/FontDescriptor", {})
        embedded = {"/FontFile", "/FontFile2", "/FontFile3"} & set(held)
        assert embedded or font["/Subtype"] == "/Type3", font


@each
def test_a_pdf_is_tagged_titled_and_says_its_language(printed, name):
    found = printed(name)
    reader = PdfReader(BytesIO(found.content))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert reader.metadata.title == found.document.title
    tags = _tags(root["/StructTreeRoot"])
    assert {"/H1", "/H2", "/Table", "/TR", "/TH", "/TD", "/P", "/L"} <= set(tags)
    drawn = [chart for chart in kinds.KINDS[name].charts(found.report) if not chart.is_empty]
    assert tags.get("/Figure", 0) >= len(drawn)
    assert tags["/H1"] == 1


def _tags(node, found=None):
    """Count the elements of each kind in a PDF's tree of tags."""
    found = {} if found is None else found
    node = node.get_object()
    if isinstance(node, list):
        for child in node:
            _tags(child, found)
    elif isinstance(node, dict):
        if "/S" in node:
            found[node["/S"]] = found.get(node["/S"], 0) + 1
        if "/K" in node:
            _tags(node["/K"], found)
    return found


def test_the_heads_of_a_long_table_stand_on_each_of_its_pages(printed):
    found = printed("trial")
    rows = [squeezed(row.shift + moment(row.opened_at)) for row in found.report.shifts]
    pages = [page for page in found.texts if any(row in page for row in rows)]
    assert len(pages) > 1
    for page in pages:
        assert squeezed("shift opened closed") in page


@each
def test_a_table_begins_on_the_page_of_its_caption(printed, name):
    found = printed(name)
    seen = 0
    for table in kinds.KINDS[name].tables(found.report):
        caption = squeezed(table.caption)
        pages = [page for page in found.texts if caption in page]
        shown = f'data-table="{table.name}"' in found.document.html
        if shown and table.rows and found.text.count(caption) == 1:
            first = table.in_words(DEMO_ZONE)[0][table.head_place]
            assert squeezed(first) in pages[0].partition(caption)[2], table.name
            seen += 1
    assert seen


@each
def test_no_heading_stands_alone_at_the_foot_of_a_page(printed, name):
    found = printed(name)
    headings = {unescape(text) for text in HEADING.findall(found.document.html)}
    seen = set()
    for page in pypdfium2.PdfDocument(found.content):
        texts = page.get_textpage()
        lines = [texts.get_rect(place) for place in range(texts.count_rects())]
        for heading in headings:
            place = texts.search(heading, match_case=True).get_next()
            if place is not None:
                seen.add(heading)
                foot = texts.get_charbox(place[0])[1]
                assert any(bottom > FOOTER and top <= foot for _, bottom, _, top in lines), heading
    assert seen == headings


@pytest.mark.parametrize("name", [name for name in WANTED if name != "fleet"])
def test_charts_are_drawn_on_paper_with_their_words(printed, name):
    text = printed(name).text
    charts = printed(name).report.charts
    drawn = [chart for chart in charts if not chart.is_empty]
    assert drawn
    for chart in charts:
        assert squeezed(chart.title) in text
        assert squeezed(chart.summary) in text
    for chart in drawn:
        assert squeezed(chart.figure.layout["xaxis"]["title"]["text"]) in text
