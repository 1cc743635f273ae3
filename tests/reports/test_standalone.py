"""The HTML file of every kind, opened from a stick: it draws, and asks nobody for anything."""

from __future__ import annotations

import pytest

from trialog.reports import kinds

# What a file in a browser does has nothing to do with which database keeps the records.
pytestmark = pytest.mark.database("sqlite")

ASKS = """async () => {
  const script = document.createElement("script");
  script.textContent = "window.foreign = true";
  document.body.append(script);
  const image = new Image();
  image.src = "https://example.invalid/seen.png";
  document.body.append(image);
  const asked = await fetch("https://example.invalid/").then(() => "answered", () => "refused");
  const refused = await new Promise(done => setTimeout(() => done(window.refused), 50));
  return { asked, refused, foreign: window.foreign === true }; }"""
"""What a page does that somebody else's script got into: run it, load a picture, call out."""


@pytest.fixture
def asked(page):
    """Collect every request that is not for a file, and let none of them through."""
    requests = []

    def stop(route):
        requests.append(route.request.url)
        route.abort()

    page.context.route(lambda url: not url.startswith("file:"), stop)
    return requests


@pytest.mark.parametrize("kind", kinds.KINDS)
def test_it_draws_every_picture_without_a_request_or_a_complaint(
    page, asked, demo_reports, tmp_path, kind
):
    complaints = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    _, document = demo_reports(kind)
    page.goto(opened(document, tmp_path))
    page.wait_for_function(
        """() => [...document.querySelectorAll("[data-chart]")]
            .every(place => place.dataset.drawn && place.querySelector(".main-svg path"))"""
    )
    charts = document.html.count('class="rp-canvas"')
    assert page.locator("[data-chart]:has(.main-svg path)").count() == charts
    assert (charts > 0) == (kind != "fleet")
    assert complaints == []
    assert asked == []


def test_its_own_rules_stop_what_could_ask(page, asked, demo_reports, tmp_path):
    _, document = demo_reports("trial")
    page.add_init_script(
        """window.refused = 0;
        addEventListener("securitypolicyviolation", () => { window.refused += 1; });"""
    )
    page.goto(opened(document, tmp_path))
    found = page.evaluate(ASKS)
    assert found == {"asked": "refused", "refused": 3, "foreign": False}
    assert asked == [], "its rules come before the network"


def opened(document, folder):
    file = kinds.render(document, "html")
    path = folder / file.name
    path.write_bytes(file.content)
    return path.as_uri()
