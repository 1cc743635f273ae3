"""The page on a trial's evidence, and its data."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from support.cells import condition, failed, good, log_shift, opening, revision, stop, write

from trialog.records.words import Condition

LINKS = re.compile(r'href="([^"]+)"')


def path(trial):
    return f"/trials/{trial.id}/evidence"


@pytest.fixture
def trial(on_trial):
    """Return a trial of the whole cell."""
    return on_trial.trial


@pytest.fixture
def filled(session, cell, trial, people, now):
    """A shift of the trial with marks, a stop, a failure, a change, and an unlogged cycle."""
    person = {"person_id": people.operator.id}
    log_shift(
        session, cell, "Mon", now=now - timedelta(hours=9), good=40, failed=[cell.slow],
        counters=(0, 43), actor=people.operator,
    )  # fmt: skip
    write(
        session, cell,
        opening("Tue", counter=50, **person),
        condition("Tue", Condition.COLD_START, **person),
        condition("Tue", Condition.MATERIAL_LOT, text="<lot 7>", **person),
        good("Tue", 30, **person),
        failed("Tue", cell.chips, **person),
        stop("Tue", 90, **person),
        revision(cell.jet, "wider <b>nozzle</b>", **person),
        actor=people.engineer, now=now,
    )  # fmt: skip
    return trial


def test_the_trials_page_leads_to_it_and_it_leads_back(operator, trial):
    assert f'href="{path(trial)}"' in operator.get(f"/trials/{trial.id}").text
    page = operator.get(path(trial)).text
    assert f'href="/trials/{trial.id}"' in page
    assert 'href="/help/evidence"' in page


def test_without_a_shift_every_part_says_so(operator, trial):
    page = operator.get(path(trial)).text
    for words in (
        "No evidence yet: no cycle has been counted since it began.",
        "No change was recorded: everything ran as first set up.",
        "No shift to compare with the machine counter yet.",
        "No stop was logged.",
        "No cycle was logged, so nothing is known of the availability.",
    ):
        assert words in page


def test_every_part_stands_on_the_page_with_markup_as_text(operator, filled):
    page = operator.get(path(filled)).text
    for words in ("Revisions, before and after", "machine counter", "Conditions", "Stops"):
        assert words in page
    assert "wider &lt;b&gt;nozzle&lt;/b&gt;" in page
    assert "<b>nozzle" not in page


def test_shifts_and_what_else_it_links_to_are_there(engineer, filled):
    page = engineer.get(path(filled)).text
    main = page[page.index("<main") : page.index("</main")]
    links = {link for link in LINKS.findall(main) if link.startswith("/")}
    assert any(link.startswith("/shifts/") for link in links)
    assert {link: engineer.get(link).status_code for link in links} == dict.fromkeys(links, 200)


def test_the_data_can_be_downloaded(operator, filled):
    answer = operator.get(f"/trials/{filled.id}/evidence.json")
    assert answer.headers["Content-Disposition"].startswith("attachment;")
    assert answer.json["revisions"]["comparisons"][0]["changes"] == ["wider <b>nozzle</b>"]


def test_the_page_can_be_kept_as_one_file_that_asks_nobody_else(operator, filled):
    answer = operator.get(f"/trials/{filled.id}/evidence.html")
    assert answer.headers["Content-Disposition"].startswith("attachment;")
    assert "wider &lt;b&gt;nozzle&lt;/b&gt;" in answer.text
    assert "Statistics do not make a cell safe" in answer.text
    assert re.findall(r"<(?:script|img|link)[^>]*(?:src|href)=", answer.text) == []
    written = re.sub(r"<script.*?</script>", "", answer.text, flags=re.DOTALL)
    assert [link for link in LINKS.findall(written) if not link.startswith(("#", "data:"))] == []


def test_a_file_with_a_chart_brings_what_draws_it(operator, filled):
    text = operator.get(f"/trials/{filled.id}/evidence.html").text
    assert 'id="chart-rates-by-revision"' in text
    assert "Plotly.react" in text


def test_a_file_without_a_chart_is_small(operator, trial):
    assert "Plotly" not in operator.get(f"/trials/{trial.id}/evidence.html").text


@pytest.mark.parametrize("ending", ["", ".html", ".json"])
def test_there_is_no_such_page_of_another_trial(operator, ending):
    assert operator.get(f"/trials/99/evidence{ending}").status_code == 404
