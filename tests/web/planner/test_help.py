"""The help page of the planner says what the page has."""

from __future__ import annotations

from html import unescape

import pytest

from trialog.reliability import Requirement
from trialog.reliability.shop import clean_run, cycles_in_shifts
from trialog.web.help.pages import FOLDER, help_page
from trialog.web.planner.forms import DESIGN_MARGIN, KINDS, read_form

PAGE = (FOLDER / "planning.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", [field.name for field in read_form({})])
def test_every_number_is_explained(name):
    assert f"| {read_form({})[name].label.text} |" in PAGE


@pytest.mark.parametrize("kind", KINDS)
def test_every_plan_is_explained(kind):
    assert f"- **{kind}**:" in PAGE


def test_the_numbers_in_the_help_are_the_engines():
    assert DESIGN_MARGIN == 10
    assert "ten times rarer" in PAGE
    ready = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1e-5)
    run = clean_run(ready, cycles_in_shifts(3, 30))
    assert f"three shifts of 8 h hold {run.cycles:,} cycles" in PAGE
    assert f"{run.proven_seconds // 60:g} min alone at 90 % chance and 95 % confidence" in PAGE


@pytest.mark.database("sqlite")
def test_help_and_planner_lead_to_each_other(operator):
    assert 'href="/help/planning"' in operator.get("/planner").text
    assert "Planner" in unescape(help_page("planning").body)
    assert 'href="/planner"' in operator.get("/help/planning").text
