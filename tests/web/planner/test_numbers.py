"""The planner's page without a browser: its numbers, its errors, its fragment."""

from __future__ import annotations

import json
import re
from html import unescape

import pytest

from trialog.evidence.plan_words import plan_words
from trialog.reliability import Requirement, plan_choices
from trialog.reliability.shop import price_of_failures
from trialog.reports.plan_comparison import Asked, compare_plans
from trialog.web.planner.forms import DEFAULTS, query_of, read_form

pytestmark = pytest.mark.database("sqlite")  # nothing here is read from the records

STATED = Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1e-5)
ASKED = {"design_cycles": "100000", "shifts": "3"}


def words_of(page):
    """Return a page's text without its marks, on one line."""
    shown = re.sub(r"(?s)<script.*?</script>|<[^>]+>", " ", page)
    return re.sub(r"\s+", " ", unescape(shown))


def chart_of(page, name):
    source = re.search(rf'(?s)id="chart-{name}">(.*?)</script>', page)[1]
    return json.loads(source)


def trace(figure, name):
    return next(trace for trace in figure["data"] if trace.get("name") == name)


def test_a_stranger_is_asked_to_sign_in(stranger):
    assert stranger.get("/planner").status_code == 302
    answer = stranger.get("/planner/results", headers={"Accept": "application/json"})
    assert answer.status_code == 401


@pytest.mark.parametrize("role", ["operator", "engineer", "approver", "admin"])
def test_everybody_who_may_read_may_plan(visitor_as, role):
    assert visitor_as(role).get("/planner").status_code == 200


def test_without_numbers_the_page_has_those_of_a_common_shop(operator):
    page = operator.get("/planner").text
    for name, value in DEFAULTS.items():
        if name != "plan":
            assert re.search(rf'<input[^>]*name="{name}"[^>]*value="{value}"', page), name
    assert "To run alone for 8 h at 90 % chance of no stop" in words_of(page)


def test_every_number_of_the_table_is_the_engines(operator):
    text = words_of(operator.get("/planner", query_string=ASKED).text)
    choices = plan_choices(STATED.limit(), STATED.design(), confidence=0.95, good_pass=0.9)
    for choice in choices:
        assert plan_words(choice.plan) in text
        assert f"{choice.plan.first_go_cycles:,} cycles" in text
        assert f"{choice.plan.max_cycles:,} cycles" in text
        assert f"{100 * choice.pass_chance_at_design:.4f}"[:4] + " %" in text
        assert f"{-(-choice.expected_cycles_at_design // 1):,.0f} cycles" in text
        assert f"{-(-choice.expected_cycles_at_limit // 1):,.0f} cycles" in text


def test_one_plan_suits_and_each_says_why(operator):
    page = operator.get("/planner", query_string=ASKED).text
    assert page.count('class="suits-mark"') == 1
    text = words_of(page)
    assert "passes a cell at the design rate with only 76.1 % chance, not the 90 % asked" in text
    assert "decides on it in the fewest cycles on average" in text


def test_what_three_shifts_would_prove_is_said(operator):
    text = words_of(operator.get("/planner", query_string=ASKED).text)
    assert "3 shifts of 8 h hold 2,880 cycles." in text
    assert "a failure rate of at most 0.11 %, which is 50 min alone at 90 % chance." in text
    assert "about 24,500 more clean cycles are missing, 26 shifts." in text


def test_no_shift_proves_nothing_and_enough_of_them_are_enough(operator):
    none = words_of(operator.get("/planner", query_string=ASKED | {"shifts": "0"}).text)
    assert "0 shifts of 8 h hold no cycle, and prove nothing." in none
    many = words_of(operator.get("/planner", query_string=ASKED | {"shifts": "29"}).text)
    assert "Required: 8 h; that is enough." in many


def test_each_allowed_failure_has_its_price(operator):
    text = words_of(operator.get("/planner", query_string=ASKED).text)
    for price in price_of_failures(STATED.limit(), 0.95, 5, cycle_seconds=30):
        assert f"{price.failures} {price.cycles:,}" in text
        assert price.extra_cycles == 0 or f"+ {price.extra_cycles:,}" in text


def test_devices_share_the_allowance_and_another_share_wins(operator):
    three = words_of(operator.get("/planner", query_string=ASKED | {"devices": "3"}).text)
    assert f"{compare_plans(Asked(STATED, 1 / 3, 0.9, 8.0)).shown.in_words}" in three
    assert "the device may fail" in three
    half = read_form(ASKED | {"devices": "3", "share": "50"})
    assert half.validate()
    assert half.asked().share == 0.5


def test_the_staircase_shows_the_plan_that_was_chosen(operator):
    page = operator.get("/planner", query_string=ASKED | {"plan": "fixed-size"}).text
    assert "The fixed-size plan. Every failure" in words_of(page)
    assert trace(chart_of(page, "staircase"), "GO")["x"][0] == 43_225


WRONG = [
    ({"stretch_hours": "x"}, "stretch_hours", "Must be a number such as 12.5, got 'x'."),
    ({"stretch_hours": ""}, "stretch_hours", "Must be given; it is empty."),
    ({"stretch_hours": "9000"}, "stretch_hours", "Must be above 0 and at most 8,760, got 9000."),
    ({"stretch_hours": "0.001"}, "stretch_hours",
     "Must hold at least one cycle of 30.0 s, got 0.001."),
    ({"chance": "100"}, "chance", "Must be above 0 and below 100, got 100."),
    ({"confidence": "0"}, "confidence", "Must be above 0 and below 100, got 0."),
    ({"design_cycles": "9000"}, "design_cycles",
     "Must be at least 9,113: the limit is one failure in 9,112 cycles, and what is good must fail "
     "more rarely; got 9000."),
    ({"design_cycles": "9200"}, "design_cycles",
     "Must lie further below the limit: more than 20,000 failures would have to be allowed to "
     "tell the two apart, got 9200."),
    ({"design_cycles": "10000"}, "design_cycles",
     "Must lie further below the limit: to tell the two apart takes about 9,470,000 cycles "
     "(9,865 shifts) with 986 failures, more than this page works out, got 10000."),
    ({"good_pass": "5"}, "good_pass",
     "Must be above 5, which is what a bad one passes with at 95 % confidence; got 5."),
    ({"cycle_seconds": "0"}, "cycle_seconds", "Must be above 0 and at most 86,400, got 0."),
    ({"devices": "0"}, "devices", "Must be at least 1 and at most 100, got 0."),
    ({"share": "101"}, "share", "Must be above 0 and at most 100, got 101."),
    ({"shift_hours": "0.001"}, "shift_hours", "Must hold at least one cycle of 30.0 s, got 0.001."),
    ({"shifts": "-1"}, "shifts", "Must be a whole number such as 12, got '-1'."),
    ({"plan": "best"}, "plan",
     "Must be zero-failure, fixed-size, sequential or empty, got 'best'."),
    ({"stretch_hours": "8760", "cycle_seconds": "0.1", "chance": "99.9"}, "stretch_hours",
     "Must leave a plan of at most 1,000,000,000 cycles, which is all that a trial holds (the "
     "fixed-size plan has 1,"),
    ({"stretch_hours": "1", "cycle_seconds": "3600", "confidence": "1", "good_pass": "99.5"},
     "confidence",
     "Must be higher, or the stretch longer: one clean cycle would be enough, and no trial, "
     "got 1."),
]  # fmt: skip


@pytest.mark.parametrize(("numbers", "field", "words"), WRONG, ids=lambda it: str(it)[:40])
def test_what_is_wrong_stands_beside_its_field_with_rule_and_value(operator, numbers, field, words):
    page = operator.get("/planner", query_string=numbers)
    assert page.status_code == 422
    beside = re.search(rf'id="{field}-error">(.*?)</p>', page.text)[1]
    assert words in unescape(beside)
    assert f'<a href="#{field}">' in page.text
    answer = operator.get("/planner/results", query_string=numbers)
    assert answer.status_code == 422
    assert list(answer.json["errors"]) == [field]
    assert words in answer.json["errors"][field]
    assert "No plan for these numbers" in answer.json["html"]


def test_numbers_are_read_with_a_comma_too(operator):
    answer = operator.get("/planner/results", query_string={"chance": "99,5"})
    assert answer.status_code == 200
    assert "at 99.5 % chance" in answer.json["html"]


def test_the_fragment_is_what_the_page_shows(operator):
    page = operator.get("/planner", query_string=ASKED).text
    answer = operator.get("/planner/results", query_string=ASKED).json
    assert answer["html"].strip() in page
    assert answer["errors"] == {}
    assert answer["design"] == {"least": 13_669, "most": 2_733_622, "default": 91_121}


def test_the_page_has_no_inline_script_or_style(operator):
    page = operator.get("/planner", query_string=ASKED)
    assert not re.search(r'<script(?![^>]*(src=|type="application/json"))', page.text)
    assert not re.search(r"\sstyle=|<style|\son\w+=", page.text)
    assert "script-src" not in page.headers["Content-Security-Policy"]
    assert "default-src 'self'" in page.headers["Content-Security-Policy"]


def test_what_is_typed_stays_text(operator):
    page = operator.get("/planner", query_string={"chance": '"><script>alert(1)</script>'})
    assert "<script>alert" not in page.text


def test_a_requirement_comes_back_from_its_address_as_it_was():
    form = read_form(query_of(STATED, 3))
    assert form.validate()
    assert form.asked().requirement == STATED
    assert form.asked().share == 1 / 3


def test_the_requirements_page_leads_here_with_its_numbers(engineer, cell, session):
    session.commit()
    asked = {"name": "a night", "stretch_hours": "8", "chance": "90", "confidence": "95",
             "sign_roles": "approver",
             "design_cycles": "200000", "min_shifts": "0", "min_operators": "0",
             "min_cold_starts": "0", "min_material_lots": "0", "min_tool_changes": "0"}  # fmt: skip
    path = f"/cells/{cell.id}/requirements/new"
    page = engineer.post(path, asked | {"step": "work out"}).text
    link = unescape(re.search(r'href="(/planner\?[^"]+)"', page)[1])
    assert "design_cycles=200000" in link
    assert "cycle_seconds=45" in link
    assert engineer.get(link).status_code == 200
    engineer.post(path, asked | {"step": "save"})
    assert link in unescape(engineer.get(f"/cells/{cell.id}").text)


def test_a_plan_may_become_200_failures_long_before_it_is_left_out():
    hard = Asked(
        Requirement(8, 30, chance=0.9, confidence=0.95, design_rate=1.0974e-4 / 1.24), 1.0, 0.9, 8.0
    )
    assert 150 < compare_plans(hard).columns[1].most_failures <= 200
