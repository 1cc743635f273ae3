"""How much of a page travels: at the first look, and at each one after."""

from __future__ import annotations

import gzip
import re

import pytest

FIRST, AFTER = 2_000_000, 60_000
IS_DRAWN = "() => document.querySelectorAll('[data-drawn]').length > 0"


@pytest.fixture
def weigh(demo_browser):
    """Return a function that opens a page and returns how many bytes came until it was drawn."""
    page, url = demo_browser
    devtools = page.context.new_cdp_session(page)
    devtools.send("Network.enable")
    came = []
    devtools.on("Network.loadingFinished", lambda event: came.append(event["encodedDataLength"]))

    def look(path):
        came.clear()
        page.goto(url + path)
        page.wait_for_function(IS_DRAWN)
        page.wait_for_load_state("networkidle")
        return sum(came)

    return look


def test_a_report_page_is_light_and_lighter_the_second_time(weigh, demo_pages):
    heaviest = [demo_pages.shift, demo_pages.readiness, *demo_pages.trials]
    first = weigh(heaviest[0])
    assert 1_000_000 < first < FIRST  # with the chart library, which comes once
    after = {path: weigh(path) for path in heaviest}
    assert all(0 < size < AFTER for size in after.values()), after


def test_a_page_is_packed_for_who_takes_it_so_and_says_the_same(demo_pages):
    path = demo_pages.trials[0]
    plain = demo_pages.client.get(path)
    packed = demo_pages.client.get(path, headers={"Accept-Encoding": "gzip"})
    assert "Content-Encoding" not in plain.headers
    assert packed.headers["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in packed.headers["Vary"]
    assert len(packed.data) < len(plain.data) / 3
    assert heading(gzip.decompress(packed.data).decode()) == heading(plain.text)


def heading(html):
    return html[html.index("<h1") : html.index("</h1>")]


def test_the_size_of_a_packed_page_varies_by_chance(demo_pages):
    def size():
        return len(demo_pages.client.get("/help", headers={"Accept-Encoding": "gzip"}).data)

    assert len({size() for _ in range(12)}) > 3


def test_a_short_answer_is_not_packed(demo_pages):
    answer = demo_pages.client.get("/health", headers={"Accept-Encoding": "gzip"})
    assert "Content-Encoding" not in answer.headers
    assert answer.json == {"status": "ok"}


def test_what_a_report_page_needs_besides_itself_is_kept_by_the_browser(demo_pages):
    html = demo_pages.client.get(demo_pages.trials[0]).text
    needed = re.findall(r'(?:src|href)="(/(?:static|assets)/[^"]+)"', html)
    assert any("plotly" in address for address in needed)
    for address in needed:
        answer = demo_pages.client.get(address.replace("&amp;", "&"))
        assert answer.status_code == 200, address
        assert "max-age=31536000" in answer.headers["Cache-Control"], address
