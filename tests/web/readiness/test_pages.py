"""The page of a cell's readiness, and the overview of all cells."""

from __future__ import annotations

import re

import pytest
from support.hall import Hall
from support.looks import CONTRAST, NAMELESS, SMALL_CONTROLS, SMALLEST_TARGET, SPILL

from trialog.reports import words

# The pages are the same whatever keeps the records.
pytestmark = pytest.mark.database("sqlite")

LINK = re.compile(r'href="([^"]+)"')


@pytest.fixture
def hall(session, people, now):
    return Hall(session, people, now)


def links(page):
    return [link.replace("&amp;", "&") for link in LINK.findall(page)]


def test_an_empty_shop_is_told_what_is_missing(operator):
    page = operator.get("/fleet").text
    assert "No cell is set up yet." in page
    assert 'href="/"' in page
    assert 'name="find"' not in page


def test_every_cell_leads_to_its_page_and_that_to_trials_shifts_and_files(operator, hall):
    cell, trial = hall.ready("Five")
    hall.untried("Six")
    fleet = operator.get("/fleet").text
    for name in ("Five", "Six"):
        assert name in fleet
    assert f"/cells/{cell.id}/readiness" in links(fleet)
    page = operator.get(f"/cells/{cell.id}/readiness").text
    assert words.together("It can be left alone for 3 min at a time.") in page
    assert {f"/trials/{trial.id}", "/shifts/1", "/fleet?language=en", "/help/readiness"} <= set(
        links(page)
    )
    for link in links(fleet) + links(page):
        if link.startswith("/") and not link.endswith("#content"):
            if ".pdf" in link:  # it takes a browser, which has tests of its own
                continue
            assert operator.get(link).status_code in (200, 304), link


def test_the_first_page_the_cell_and_the_bar_lead_there(operator, hall):
    cell, _ = hall.running("Five")
    for path in ("/", f"/cells/{cell.id}"):
        assert {f"/cells/{cell.id}/readiness", "/fleet"} <= set(links(operator.get(path).text))


def test_a_cell_without_a_trial_has_a_page_without_pictures(operator, hall):
    cell = hall.cell("New")
    page = operator.get(f"/cells/{cell.id}/readiness").text
    assert "it has no trial" in page
    assert "data-chart" not in page
    assert "plotly" not in page
    assert operator.get("/cells/99/readiness").status_code == 404


def test_who_may_see_to_parked_lines_gets_the_way_there(operator, engineer, hall):
    cell, _ = hall.parked("Five")
    page = f"/cells/{cell.id}/readiness"
    assert f"/cells/{cell.id}/parked" in links(engineer.get(page).text)
    assert f"/cells/{cell.id}/parked" not in links(operator.get(page).text)
    assert "1 line from a tablet not taken." in operator.get(page).text


def test_words_narrow_the_overview_down_and_are_escaped(operator, hall):
    hall.running("Five")
    hall.to_sign("Six")
    page = operator.get("/fleet?find=to+be+signed").text
    assert "Six" in page
    assert "Five" not in page
    assert 'value="to be signed"' in page
    page = operator.get("/fleet?find=<b>x</b>").text
    assert "<b>x" not in page
    assert "No cell of 2 matches" in page
    assert operator.get("/fleet?find=" + "x" * 5000).status_code == 200


def test_it_is_there_in_spanish(operator, hall):
    cell, _ = hall.running("Five")
    assert "Five" in operator.get("/fleet?language=es&find=seguir").text
    assert "Five" not in operator.get("/fleet?language=es&find=por+firmar").text
    for path in ("/fleet", f"/cells/{cell.id}/readiness"):
        page = operator.get(f"{path}?language=es").text
        assert 'lang="es"' in page
        assert "a mano" in page
        assert "by hand" not in page


def test_both_pages_fit_can_be_hit_and_are_named(page, live_server, people, hall):
    hall.lapsed("Five")
    cell, _ = hall.parked("W" * 60)
    said = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda line: said.append(line.text) if line.type == "error" else None)
    page.goto(f"{live_server.url}/login")
    page.get_by_label(people.engineer.name).check()
    page.get_by_label("PIN").fill(people.pin(people.engineer))
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"{live_server.url}/")
    faults = []
    for width, scheme in ((1280, "light"), (800, "dark"), (360, "light")):
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)
        for path in ("/fleet", f"/cells/{cell.id}/readiness"):
            page.goto(live_server.url + path)
            found = [
                *["spills over"] * (page.evaluate(SPILL) > 0),
                *page.evaluate(SMALL_CONTROLS % SMALLEST_TARGET),
                *page.evaluate(NAMELESS),
                *page.evaluate(CONTRAST),
            ]
            faults += [(path, width, one) for one in found]
    assert (faults, said) == ([], [])
    page.wait_for_function("() => document.querySelectorAll('.rp-canvas .main-svg').length > 1")
