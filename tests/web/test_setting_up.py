"""Setting up in the browser's forms: cells, devices, failure modes, requirements, trials."""

from __future__ import annotations

import pytest
from markupsafe import escape
from sqlalchemy import func, select
from support.cells import log_shift

from trialog.evidence import plan_of
from trialog.evidence.plan_words import plan_words
from trialog.records.models import AuditEvent, Cell, Device, FailureMode, Requirement, Trial
from trialog.records.words import Effect, PlanKind, Stage
from trialog.reliability import sequential_plan

CELL = {
    "name": "Lathe 7", "machine": "slant bed", "part": "flange", "operation": "op 10",
    "cycle_seconds": "42,5", "counter_modulus": "",
}  # fmt: skip
REQUIREMENT = {
    "name": "lunch alone", "stretch_hours": "1", "chance": "90", "confidence": "95",
    "sign_roles": ["engineer", "approver"],
    "design_cycles": "", "min_shifts": "2", "min_operators": "0", "min_cold_starts": "1",
    "min_material_lots": "0", "min_tool_changes": "0",
}  # fmt: skip
TRIAL = {
    "name": "arm by hand", "subject": "1", "stage": "by hand", "plan_kind": "zero-failure",
    "good_pass": "90", "share": "",
}  # fmt: skip


def count(session, table):
    session.rollback()
    return session.scalar(select(func.count()).select_from(table))


def only(session, table):
    session.rollback()
    return session.scalars(select(table)).one()


@pytest.fixture
def requirement(engineer, cell, session):
    engineer.post(f"/cells/{cell.id}/requirements/new", REQUIREMENT | {"step": "save"})
    return only(session, Requirement)


# Cells


def test_a_cell_comes_with_its_devices_and_the_usual_failure_modes(engineer, session):
    devices = {"device_0": "catcher", "device_1": "blower", "device_2": "catcher"}
    answer = engineer.post("/cells/new", CELL | devices)
    made = only(session, Cell)
    assert answer.location == f"/cells/{made.id}"
    assert made.planned_cycle_seconds == 42.5
    assert {device.name: [mode.name for mode in device.modes] for device in made.devices} == {
        "catcher": ["dropped part", "ejection miss"],
        "blower": ["chips left"],
    }


def test_a_cell_may_begin_without_devices_and_the_page_says_what_is_next(engineer, session):
    page = engineer.get(engineer.post("/cells/new", CELL).location).text
    assert "Next step" in page
    assert "Add a device" in page
    assert count(session, Device) == 0


def test_each_missing_field_is_named_beside_it_and_on_top_and_what_was_typed_stays(
    engineer, session
):
    answer = engineer.post("/cells/new", CELL | {"machine": " ", "cycle_seconds": "fast"})
    assert answer.status_code == 422
    assert '<a href="#machine">Machine</a>: Must be given; it is empty.' in answer.text
    assert 'id="machine-error">Must be given' in answer.text
    assert "Must be a number such as 12.5, got &#39;fast&#39;." in answer.text
    assert 'value="fast"' in answer.text
    assert 'value="Lathe 7"' in answer.text
    assert count(session, Cell) == 0


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("cycle_seconds", "0", "Must be above 0 and at most 86,400, got 0."),
        ("cycle_seconds", "NaN", "Must be a number such as 12.5"),
        ("cycle_seconds", "1_0", "Must be a number such as 12.5"),
        ("counter_modulus", "1", "Must be at least 2"),
        ("counter_modulus", "10.5", "Must be a whole number such as 12"),
        ("counter_modulus", "²", "Must be a whole number such as 12"),
        ("name", "n" * 121, "Must be at most 120 characters."),
        ("name", "tab\tin it", "Must hold printable characters only"),
    ],
)
def test_a_value_out_of_its_range_is_refused_with_its_rule(engineer, session, field, typed, said):
    answer = engineer.post("/cells/new", CELL | {field: typed})
    assert answer.status_code == 422
    assert said in answer.text
    assert count(session, Cell) == 0


@pytest.mark.parametrize("name", ["Zelle „Ost“ 'n\"x' & <b>", "Lathe 🛠", "n" * 120])
def test_a_name_may_hold_quotes_signs_and_120_characters(engineer, session, name):
    page = engineer.get(engineer.post("/cells/new", CELL | {"name": name}).location)
    assert page.status_code == 200
    assert "<b>" not in page.text
    assert only(session, Cell).name == name


def test_a_second_cell_of_the_same_name_is_refused_beside_the_name(engineer, session):
    engineer.post("/cells/new", CELL)
    answer = engineer.post("/cells/new", CELL)
    assert 'id="name-error">Must be new, but there is already one' in answer.text
    assert count(session, Cell) == 1


def test_a_refused_cell_leaves_no_device_behind(engineer, session):
    devices = {"device_0": "catcher", "device_1": "bad\tname"}
    answer = engineer.post("/cells/new", CELL | devices)
    assert answer.status_code == 422
    assert (count(session, Cell), count(session, Device)) == (0, 0)


def test_particulars_can_be_changed(engineer, cell, session):
    page = f"/cells/{cell.id}/edit"
    assert 'value="45"' in engineer.get(page).text
    assert 'value="10000"' in engineer.get(page).text
    answer = engineer.post(page, CELL)
    assert answer.location == f"/cells/{cell.id}"
    assert only(session, Cell).counter_modulus is None


def test_a_machine_may_count_the_good_cycles_and_need_not(engineer, cell, session):
    page = f"/cells/{cell.id}/edit"
    engineer.post(page, CELL | {"good_by_machine": "y"})
    assert only(session, Cell).good_by_machine is True
    assert "checked" in engineer.get(page).text
    engineer.post(page, CELL)
    session.rollback()
    assert only(session, Cell).good_by_machine is None


def test_what_was_done_is_recorded_with_who_did_it(engineer, people, session):
    engineer.post("/cells/new", CELL)
    session.rollback()
    event = session.scalars(select(AuditEvent).where(AuditEvent.subject == "cell")).one()
    assert (event.action, event.person_id) == ("added", people.engineer.id)


@pytest.mark.parametrize("path", ["/cells/77", "/devices/77/edit", "/cells/99999999999999999999"])
def test_what_is_not_there_is_answered_as_such(engineer, path):
    assert engineer.get(path).status_code == 404


# Devices and failure modes


def test_a_device_is_added_with_its_failure_modes(engineer, cell, session):
    modes = {"mode_1": "sticks", "effect_1": "can damage", "effect_2": "nuisance",
             "effect_3": "nuisance"}  # fmt: skip
    engineer.post(f"/cells/{cell.id}/devices/new", {"name": "gate", **modes})
    session.rollback()
    made = session.scalars(select(FailureMode).where(FailureMode.name == "sticks")).one()
    assert (made.device.name, made.effect) == ("gate", Effect.DAMAGE)


def test_a_device_on_a_running_cell_is_announced_as_a_change(engineer, cell, session, now):
    page = f"/cells/{cell.id}/devices/new"
    assert "resets the evidence" not in engineer.get(page).text
    log_shift(session, cell, "A", now=now, good=3)
    assert "resets the evidence" in engineer.get(page).text


def test_a_failure_mode_twice_on_a_cell_is_refused_beside_its_name(engineer, cell):
    answer = engineer.post(
        f"/devices/{cell.jet.id}/modes/new", {"name": "dropped part", "effect": "nuisance"}
    )
    assert 'id="name-error">Must be new' in answer.text


def test_devices_and_modes_can_be_renamed(engineer, cell, session):
    engineer.post(f"/devices/{cell.arm.id}/edit", {"name": "swing arm"})
    engineer.post(f"/modes/{cell.chips.id}/edit", {"name": "chips stay", "effect": "can damage"})
    page = engineer.get(f"/cells/{cell.id}").text
    assert "swing arm" in page
    assert "chips stay" in page


def test_an_effect_is_fixed_once_cycles_are_logged(engineer, cell, session, now):
    log_shift(session, cell, "A", now=now, good=3)
    answer = engineer.post(
        f"/modes/{cell.chips.id}/edit", {"name": "chips left", "effect": "nuisance"}
    )
    assert answer.status_code == 422
    assert 'id="effect-error">Must stay' in answer.text


# Requirements


def test_a_requirement_is_worked_out_in_words_and_not_saved(engineer, cell, session):
    values = REQUIREMENT | {"stretch_hours": "8", "step": "work out"}
    answer = engineer.post(f"/cells/{cell.id}/requirements/new", values)
    assert answer.status_code == 200
    assert "which is 640 cycles" in answer.text
    assert "18,198" in answer.text  # (1 - p)^n <= 0.05 at p = 1 - 0.9^(1/640)
    assert "each of the 3 devices" in answer.text
    assert "Fix the requirement" in answer.text
    assert count(session, Requirement) == 0


def test_a_fixed_requirement_leads_to_its_first_trial(engineer, cell, session):
    answer = engineer.post(f"/cells/{cell.id}/requirements/new", REQUIREMENT | {"step": "save"})
    made = only(session, Requirement)
    assert answer.location == f"/requirements/{made.id}/trials/new"
    assert (made.chance, made.confidence, made.min_shifts, made.min_cold_starts) == (
        0.9, 0.95, 2, 1,
    )  # fmt: skip
    assert made.sign_roles == ["engineer", "approver"]


def test_a_percentage_is_kept_as_it_was_typed(engineer, cell, session):
    values = {"chance": "99.9", "confidence": "97,5", "step": "save"}
    engineer.post(f"/cells/{cell.id}/requirements/new", REQUIREMENT | values)
    made = only(session, Requirement)
    assert (made.chance, made.confidence) == (0.999, 0.975)


def test_a_design_rate_left_empty_is_ten_times_rarer_than_the_limit(engineer, cell, session):
    engineer.post(f"/cells/{cell.id}/requirements/new", REQUIREMENT | {"step": "save"})
    limit = 1 - 0.9 ** (1 / 80)
    assert only(session, Requirement).design_rate == pytest.approx(limit / 10, rel=1e-9)


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("design_cycles", "759", "Must be at least 760: the limit is one failure in 759 cycles"),
        ("chance", "100", "Must be above 0 and below 100, got 100."),
        ("stretch_hours", "0.01", "Must hold at least one cycle of 45.0 s"),
        ("stretch_hours", "-1", "Must be above 0"),
        ("min_shifts", "-1", "Must be a whole number"),
        ("min_shifts", "1001", "Must be at least 0 and at most 1,000, got 1001."),
        ("min_shifts", "", "Must be given; it is empty."),
    ],
)
def test_a_requirement_that_makes_no_sense_is_refused_beside_the_field(
    engineer, cell, session, *, field, typed, said
):
    for step in ("work out", "save"):
        values = REQUIREMENT | {field: typed, "step": step}
        answer = engineer.post(f"/cells/{cell.id}/requirements/new", values)
        assert answer.status_code == 422
        assert f'id="{field}-error">{said}' in answer.text
    assert count(session, Requirement) == 0


def test_the_least_design_rate_that_is_named_is_taken(engineer, cell, session):
    values = REQUIREMENT | {"design_cycles": "760", "step": "save"}
    assert engineer.post(f"/cells/{cell.id}/requirements/new", values).status_code == 302
    assert only(session, Requirement).design_rate == 1 / 760


# Trials


def test_a_plan_is_shown_in_words_before_the_trial_begins(engineer, cell, requirement, session):
    page = f"/requirements/{requirement.id}/trials/new"
    answer = engineer.post(page, TRIAL | {"subject": str(cell.arm.id), "step": "work out"})
    assert answer.status_code == 200
    assert "Zero-failure plan: 6,824 clean cycles" in answer.text  # a third of the allowance
    assert "Begin the trial" in answer.text
    assert "Statistics do not make a cell safe" in answer.text
    assert count(session, Trial) == 0


def test_a_trial_begins_with_the_plan_that_was_shown(engineer, cell, requirement, session):
    page = f"/requirements/{requirement.id}/trials/new"
    answer = engineer.post(page, TRIAL | {"subject": str(cell.arm.id), "step": "save"})
    made = only(session, Trial)
    assert answer.location == f"/cells/{cell.id}"
    assert made.device_id == cell.arm.id
    assert (made.stage, made.plan_kind) == (Stage.BY_HAND, PlanKind.ZERO_FAILURE)
    assert made.plan_cycles == 6824
    assert made.share == pytest.approx(1 / 3)


def test_the_whole_cell_takes_all_of_the_allowance(engineer, cell, requirement, session):
    page = f"/requirements/{requirement.id}/trials/new"
    values = {"subject": "", "plan_kind": "fixed-size", "good_pass": "80", "step": "save"}
    engineer.post(page, TRIAL | values)
    made = only(session, Trial)
    assert (made.device_id, made.share, made.good_pass) == (None, 1.0, 0.8)
    assert made.plan_allowed > 0


SEQUENTIAL = TRIAL | {"subject": "", "plan_kind": "sequential"}


def test_a_sequential_plan_is_shown_with_what_each_failure_costs(engineer, requirement, session):
    page = f"/requirements/{requirement.id}/trials/new"
    assert ">sequential</option>" in engineer.get(page).text
    answer = engineer.post(page, SEQUENTIAL | {"step": "work out"})
    assert answer.status_code == 200
    limit = 1 - 0.9 ** (1 / 80)
    plan = sequential_plan(limit, limit / 10, confidence=0.95, good_pass=0.9)
    first, more = plan.first_go_cycles, plan.go_line(1) - plan.go_line(0)
    assert (
        f"Sequential plan: {first:,} clean cycles, and {more:,} more for each failure"
        in answer.text
    )
    assert f"At most {plan.max_cycles:,} cycles" in answer.text
    assert "Begin the trial" in answer.text
    assert count(session, Trial) == 0


@pytest.mark.parametrize(("typed", "kept"), [("80", 0.8), ("", 0.9)])
def test_a_sequential_trial_keeps_the_lines_that_were_shown(
    engineer, requirement, session, *, typed, kept
):
    page = f"/requirements/{requirement.id}/trials/new"
    engineer.post(page, SEQUENTIAL | {"good_pass": typed, "step": "save"})
    made = only(session, Trial)
    assert (made.plan_kind, made.good_pass) == (PlanKind.SEQUENTIAL, kept)
    plan = plan_of(made)
    assert plan.pass_chance(plan.limit) <= 0.05
    assert plan.pass_chance(plan.design) >= kept
    shown = engineer.post(page, SEQUENTIAL | {"good_pass": typed, "step": "work out"}).text
    assert escape(plan_words(plan)) in shown


@pytest.mark.parametrize("kind", ["fixed-size", "sequential"])
@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("100", "Must be above 0 and below 100, got 100."),
        ("often", "Must be a number such as 12.5, got &#39;often&#39;."),
    ],
)
def test_the_chance_to_pass_follows_one_rule_for_both_plans_that_it_shapes(
    engineer, requirement, session, *, kind, typed, said
):
    page = f"/requirements/{requirement.id}/trials/new"
    values = SEQUENTIAL | {"plan_kind": kind, "good_pass": typed, "step": "save"}
    answer = engineer.post(page, values)
    assert answer.status_code == 422
    assert f'id="good_pass-error">{said}' in answer.text
    assert count(session, Trial) == 0


def test_a_good_device_must_pass_a_sequential_plan_more_often_than_a_bad_one(
    engineer, requirement, session
):
    page = f"/requirements/{requirement.id}/trials/new"
    answer = engineer.post(page, SEQUENTIAL | {"good_pass": "5", "step": "work out"})
    assert answer.status_code == 422
    assert 'id="good_pass-error">Must be above 1 - confidence (0.05)' in answer.text


def test_a_share_as_typed_is_taken(engineer, cell, requirement, session):
    page = f"/requirements/{requirement.id}/trials/new"
    engineer.post(page, TRIAL | {"subject": str(cell.arm.id), "share": "25", "step": "save"})
    assert only(session, Trial).share == 0.25


@pytest.mark.parametrize(
    ("field", "typed", "said"),
    [
        ("share", "0", "Must be above 0 and at most 100, got 0."),
        ("share", "0.00001", "Must leave a plan of at most 1,000,000,000 cycles"),
        ("share", "101", "Must be above 0 and at most 100, got 101."),
        ("name", "", "Must be given; it is empty."),
        ("subject", "999", "Not a valid choice."),
    ],
)
def test_a_trial_that_makes_no_sense_is_refused_beside_the_field(
    engineer, cell, requirement, session, *, field, typed, said
):
    page = f"/requirements/{requirement.id}/trials/new"
    values = TRIAL | {"subject": str(cell.arm.id), field: typed, "step": "save"}
    answer = engineer.post(page, values)
    assert answer.status_code == 422
    assert f'id="{field}-error">{said}' in answer.text
    assert count(session, Trial) == 0


def test_a_second_trial_of_the_same_name_is_refused_beside_the_name(
    engineer, cell, requirement, session
):
    page = f"/requirements/{requirement.id}/trials/new"
    values = TRIAL | {"subject": str(cell.arm.id), "step": "save"}
    engineer.post(page, values)
    assert 'id="name-error">Must be new' in engineer.post(page, values).text
    assert count(session, Trial) == 1


def test_a_device_of_another_cell_is_not_on_offer(engineer, cell, requirement, session):
    engineer.post("/cells/new", CELL | {"device_0": "stranger"})
    page = engineer.get(f"/requirements/{requirement.id}/trials/new").text
    assert "arm" in page
    assert "stranger" not in page
