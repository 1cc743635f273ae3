"""The trial's page and the documents in a real Chromium."""

from datetime import UTC

import pytest
from playwright.sync_api import expect

from trialog.records.models import Shift
from trialog.reports.kinds import html_of
from trialog.reports.shift_report import build_shift_report
from trialog.reports.trial_report import build_trial_report

pytestmark = pytest.mark.database("sqlite")  # what a browser draws does not depend on the database

SHEETS = {"A4": (210, 595), "Letter": (216, 612)}
"""Width of a sheet in millimetres and, as a PDF has it, in points."""

SIDE_MARGINS = 28

STAIRCASE = "[data-chart=chart-failures-over-cycles]"
PATH = f"{STAIRCASE} .scatterlayer .trace:nth-child(3) .js-line"
"""The trial's path lies on the plan's two zones."""

FAILURES, THE_PLANS_POINT = 3, 1


@pytest.fixture
def complaints(page):
    """Collect what the browser complains of: script errors, refused styles or scripts."""
    heard = []
    page.on("console", lambda message: heard.append(message.text))
    page.on("pageerror", lambda error: heard.append(str(error)))
    return heard


@pytest.fixture
def run(on_trial):
    """Two shifts, one of them rich in failures."""
    cell = on_trial.cell
    on_trial.shift("A", days=1, good=300, failed=[cell.dropped, cell.slow], counters=(0, 302))
    on_trial.shift("B", good=200, failed=[cell.missed], counters=(302, 510))
    return on_trial


def sign_in(page, server, visitor):
    cookie = visitor.client.get_cookie("trialog_session")
    page.context.add_cookies(
        [{"name": "trialog_session", "value": cookie.value, "url": server.url}]
    )


def drawn(page, how="screen"):
    page.wait_for_function(
        """how => { const charts = [...document.querySelectorAll('[data-chart]')];
           return charts.length && charts.every(chart => chart.dataset.drawn === how); }""",
        arg=how,
    )


def line_colour(page):
    return page.eval_on_selector(PATH, "line => line.style.stroke")


def test_the_chart_draws_on_the_page_without_a_complaint(
    page, complaints, live_server, run, engineer
):
    sign_in(page, live_server, engineer)
    page.goto(f"{live_server.url}{run.url}")
    drawn(page)
    assert page.locator(f"{STAIRCASE} .point").count() == FAILURES + THE_PLANS_POINT
    assert complaints == []


def test_the_chart_changes_its_colours_with_the_page(page, live_server, run, engineer):
    sign_in(page, live_server, engineer)
    page.goto(f"{live_server.url}{run.url}")
    drawn(page)
    light = line_colour(page)
    page.emulate_media(color_scheme="dark")
    page.wait_for_function(
        "([path, before]) => document.querySelector(path).style.stroke !== before",
        arg=[PATH, light],
    )
    assert (light, line_colour(page)) == ("rgb(29, 79, 143)", "rgb(143, 188, 245)")


def test_the_chart_can_be_read_as_a_table_with_the_keyboard(page, live_server, run, engineer):
    sign_in(page, live_server, engineer)
    page.goto(f"{live_server.url}{run.url}")
    page.locator("summary").first.focus()
    page.keyboard.press("Enter")
    table = page.locator("details table").first
    expect(table).to_be_visible()
    assert table.locator("td", has_text="end of shift").count() == 0
    assert table.locator("tbody tr").count() == FAILURES + 1
    numbers = page.locator("details a[download]").first
    with page.expect_download() as download:
        numbers.click()
    assert download.value.suggested_filename == "trial-1-path.csv"
    lines = download.value.path().read_text(encoding="utf-8").splitlines()
    assert (lines[0], len(lines)) == ("cycle,failures,position", FAILURES + 2)


def documents(run):
    session, at = run.session, {"now": run.now, "zone": UTC}
    shift = session.query(Shift).filter_by(label="B").one()
    return {
        "shift": html_of(build_shift_report(session, shift, **at)),
        "trial": html_of(build_trial_report(session, run.trial, **at)),
    }


@pytest.fixture
def stick(tmp_path, run):
    """Save both documents, as on a stick; return their addresses."""
    addresses = {}
    for name, html in documents(run).items():
        path = tmp_path / f"{name}.html"
        path.write_text(html, encoding="utf-8")
        addresses[name] = path.as_uri()
    return addresses


def test_a_document_opened_from_a_stick_draws_its_chart(page, complaints, stick):
    page.goto(stick["trial"])
    drawn(page)
    assert page.locator(f"{STAIRCASE} .point").count() == FAILURES + THE_PLANS_POINT
    assert complaints == []


@pytest.mark.parametrize("sheet", SHEETS)
@pytest.mark.parametrize("name", ["shift", "trial"])
def test_a_document_fits_the_sheet_and_loses_nothing(page, stick, name, sheet):
    width, points = SHEETS[sheet]
    page.set_viewport_size({"width": round((width - SIDE_MARGINS) / 25.4 * 96), "height": 1000})
    page.goto(stick[name])
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    drawn(page, "paper")
    cut = page.evaluate(
        """() => [...document.querySelectorAll("body *")]
             .filter(it => it.checkVisibility() && !it.closest("svg, details"))
             .filter(it => it.getBoundingClientRect().right > innerWidth + 1)
             .map(it => it.outerHTML.slice(0, 80))"""
    )
    assert cut == []
    pdf = page.pdf(format=sheet)
    assert b"/MediaBox [0 0 %d" % points in pdf


def test_a_chart_on_paper_is_dark_on_white_also_from_a_dark_screen(page, stick):
    page.emulate_media(color_scheme="dark")
    page.goto(stick["trial"])
    drawn(page)
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    drawn(page, "paper")
    assert line_colour(page) == "rgb(29, 79, 143)"
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    drawn(page, "screen")
    assert line_colour(page) == "rgb(143, 188, 245)"


FAINT = """() => {
  const parts = colour => colour.match(/[\\d.]+/g).map(Number);
  const channel = value => { const part = value / 255;
    return part <= 0.03928 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4; };
  const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const ground = light(parts(getComputedStyle(document.body).backgroundColor));
  const faint = [];
  for (const mark of document.querySelectorAll(
      ".js-line, path.point, .point path, .shapelayer path, .annotation-text, .xtick text")) {
    const style = getComputedStyle(mark), words = mark.nodeName === "text";
    const drawn = [style.stroke, style.fill].filter(
      colour => colour.startsWith("rgb") && (parts(colour)[3] ?? 1) === 1);
    if (!drawn.length || style.strokeWidth === "0px" || mark.closest(".errorbar")) continue;
    const ratios = drawn.map(parts).map(light).map(
      each => (Math.max(each, ground) + 0.05) / (Math.min(each, ground) + 0.05));
    if (Math.max(...ratios) < (words ? 4.5 : 3)) faint.push(mark.outerHTML.slice(0, 120));
  }
  return faint; }"""
"""Marks that a reader without colours, or of a grey print, could not tell from the ground."""

MARKS = ".js-line, path.point, .point path, image"


@pytest.mark.parametrize("name", ["shift", "trial"])
def test_every_picture_is_drawn_and_stands_out_in_grey_by_day_by_night_and_on_paper(
    page, complaints, stick, name
):
    page.goto(stick[name])
    for how in ("light", "dark", "paper"):
        if how == "paper":
            page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        else:
            page.emulate_media(color_scheme=how)
        drawn(page, "paper" if how == "paper" else "screen")
        assert page.locator(f"[data-chart]:not(:has({MARKS}))").count() == 0
        # By night it is drawn anew, a chart at a time, once the browser has told of the night.
        page.wait_for_function(f"() => ({FAINT})().length === 0")
    assert complaints == []
    page.evaluate("document.documentElement.style.setProperty('--chart-line', '#ddd')")
    page.evaluate("document.dispatchEvent(new Event('trialog:charts'))")
    page.wait_for_function(f"() => ({FAINT})().length > 0")  # what is faint is found


UNFIT = """() => [
  ...[document.documentElement].filter(it => it.scrollWidth > it.clientWidth + 1),
  ...[...document.querySelectorAll("button, .button, summary, input:not([type=hidden]), select")]
    .filter(it => { const box = (it.closest("label") || it).getBoundingClientRect();
                    return box.height > 0 && box.height < 44; }),
  ...[...document.querySelectorAll("input:not([type=hidden]), select, textarea")]
    .filter(it => !it.labels.length),
].map(it => it.outerHTML.slice(0, 100))"""


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (800, "dark"), (360, "light")])
def test_every_page_of_a_trial_fits_can_be_hit_and_is_named(
    page, complaints, live_server, run, visitor_as, *, width, scheme
):
    page.set_viewport_size({"width": width, "height": 800})
    page.emulate_media(color_scheme=scheme)
    for role, paths in {
        "engineer": ("", "/rulings", "/import", "/acknowledge"),
        "approver": ("/sign", "/refuse"),
    }.items():
        page.context.clear_cookies()
        sign_in(page, live_server, visitor_as(role))
        for path in paths:
            page.goto(f"{live_server.url}{run.url}{path}")
            assert page.evaluate(UNFIT) == [], path
    assert complaints == []
