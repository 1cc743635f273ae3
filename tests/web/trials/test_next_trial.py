"""Changing a trial and its requirement before the first cycle, and going on with a next one."""

from datetime import timedelta

import pytest
from sqlalchemy import select

from trialog.evidence import plan_of, verdict_history
from trialog.records.audit import record_event
from trialog.records.database import unit_of_work
from trialog.records.models import Requirement, Trial
from trialog.records.words import PlanKind, Stage

pytestmark = pytest.mark.database("sqlite")
"""The pages are tried here; what they call is tried on both in tests/evidence."""


def fresh(on_trial, name=None):
    """Return the trial, or another one by its name, as the database has it now."""
    on_trial.session.rollback()
    on_trial.session.expire_all()
    if name is None:
        return on_trial.trial
    return on_trial.session.scalars(select(Trial).where(Trial.name == name)).one()


def plan(**changes):
    sent = {
        "name": "Cell, attended", "stage": "robot attended", "plan_kind": "sequential",
        "good_pass": "90", "share": "100", "step": "save",
    }  # fmt: skip
    return sent | changes


def test_a_next_trial_is_prefilled_from_the_former_one(on_trial, engineer):
    page = engineer.get(f"{on_trial.url}/next").text
    assert 'value="Cell &lt;by hand&gt; 2"' in page
    assert "by hand: 0 cycles and 0 failures, KEEP RUNNING; not counted here" in page
    on_trial.reach_go()
    page = engineer.get(f"{on_trial.url}/next").text
    assert 'value="Cell &lt;robot attended&gt;"' in page, "after a GO the next stage"
    assert '<option selected value="robot attended">' in page
    assert '<option selected value="zero-failure">' in page


def test_a_next_trial_is_worked_out_first_and_then_begun(on_trial, engineer):
    on_trial.reach_go()
    asked = plan(requirement=str(on_trial.trial.requirement_id))
    page = engineer.post(f"{on_trial.url}/next", asked | {"step": "work out"}).text
    assert "The plan in words" in page
    assert fresh(on_trial).id == on_trial.session.scalars(select(Trial.id)).one()
    shown = engineer.post(f"{on_trial.url}/next", asked, follow_redirects=True).text
    later = fresh(on_trial, "Cell, attended")
    assert (later.follows_id, later.stage) == (on_trial.trial.id, Stage.ROBOT_ATTENDED)
    assert (later.device_id, later.plan_kind) == (None, PlanKind.SEQUENTIAL)
    assert "by hand: 875 cycles and 0 failures, GO; not counted here" in shown
    assert f'<a href="/trials/{later.id}">Cell, attended</a>' in engineer.get(on_trial.url).text
    assert [one.verdict for one in verdict_history(on_trial.session, later)] == ["KEEP RUNNING"]


def test_a_name_that_is_taken_and_a_foreign_requirement_are_refused(on_trial, engineer):
    own = str(on_trial.trial.requirement_id)
    answer = engineer.post(f"{on_trial.url}/next", plan(requirement=own, name=on_trial.trial.name))
    assert answer.status_code == 422
    assert "there is already one named" in answer.text
    assert engineer.post(f"{on_trial.url}/next", plan(requirement="99")).status_code == 422


def test_a_trial_may_be_changed_until_the_first_cycle(on_trial, engineer):
    page = engineer.get(f"{on_trial.url}/edit").text
    assert 'value="Cell &lt;by hand&gt;"' in page
    assert f"{on_trial.url}/edit" in engineer.get(on_trial.url).text
    sent = plan(subject="", share="50")
    assert (
        "Save the change" in engineer.post(f"{on_trial.url}/edit", sent | {"step": "work out"}).text
    )
    assert engineer.post(f"{on_trial.url}/edit", sent).status_code == 302
    changed = fresh(on_trial)
    assert (changed.name, changed.share) == ("Cell, attended", 0.5)
    assert plan_of(changed).max_cycles == changed.plan_cycles


def test_a_trial_keeps_its_subject_once_it_goes_on_from_another(on_trial, engineer):
    engineer.post(f"{on_trial.url}/next", plan(requirement=str(on_trial.trial.requirement_id)))
    later = fresh(on_trial, "Cell, attended")
    answer = engineer.post(f"/trials/{later.id}/edit", plan(subject=str(on_trial.cell.arm.id)))
    assert answer.status_code == 422
    assert "be of the same device or cell" in answer.text


def test_a_requirement_may_be_changed_and_keeps_what_nobody_touched(on_trial, engineer):
    number = on_trial.trial.requirement_id
    path = f"/requirements/{number}/edit"
    assert path in engineer.get(f"/cells/{on_trial.cell.id}").text
    before = on_trial.trial.requirement.design_rate
    sent = {
        "name": "an hour", "stretch_hours": "1", "chance": "90", "confidence": "90",
        "design_cycles": f"{1 / before:g}", "min_shifts": "2", "min_operators": "0",
        "min_cold_starts": "0", "min_material_lots": "0", "min_tool_changes": "0",
        "sign_roles": ["approver"],
    }  # fmt: skip
    page = engineer.post(path, sent | {"step": "work out"}).text
    assert "What that means" in page
    assert engineer.post(path, sent | {"step": "save"}).status_code == 302
    on_trial.session.rollback()
    stored = on_trial.session.get(Requirement, number, populate_existing=True)
    assert (stored.name, stored.stretch_hours, stored.min_shifts) == ("an hour", 1.0, 2)
    assert (stored.design_rate, stored.chance, stored.confidence) == (before, 0.9, 0.9)
    assert stored.sign_roles == ["approver"]
    assert fresh(on_trial).plan_cycles > 875, "planned anew"


@pytest.mark.parametrize("what", ["trial", "requirement"])
def test_after_the_first_cycle_both_lead_to_a_next_trial(on_trial, engineer, what):
    on_trial.shift("A", good=1)
    path = {
        "trial": f"{on_trial.url}/edit",
        "requirement": f"/requirements/{on_trial.trial.requirement_id}/edit",
    }[what]
    page = engineer.get(path)
    assert page.status_code == 200
    assert f'href="{on_trial.url}/next"' in page.text
    assert engineer.post(path, plan(subject=""), page="/help").status_code == 409
    assert f"{on_trial.url}/edit" not in engineer.get(on_trial.url).text


def test_others_may_neither_change_nor_go_on(on_trial, operator, approver):
    for visitor in (operator, approver):
        assert f"{on_trial.url}/next" not in visitor.get(on_trial.url).text
        for path in (f"{on_trial.url}/next", f"{on_trial.url}/edit"):
            assert visitor.get(path).status_code == 403


def test_a_change_after_the_first_cycle_stands_on_every_page_of_the_trial(on_trial, engineer):
    on_trial.shift("A", good=1)
    with unit_of_work(on_trial.session):
        record_event(
            on_trial.session, "changed", "trial", on_trial.trial.id, actor=on_trial.people.admin,
            now=on_trial.now + timedelta(hours=1), after={"share": 0.5},
        )  # fmt: skip
    warning = "The trial was changed after the first counted cycle (share)"
    pages = ("", "/lines/plan", "/rulings", "/evidence", "/what-if", "/acknowledge", "/sign")
    for path in (*(f"{on_trial.url}{page}" for page in pages), "/", f"/cells/{on_trial.cell.id}"):
        assert engineer.get(path).text.count(warning) == 1, path
    assert "before the first counted cycle" in engineer.get(f"{on_trial.url}/sign").text
