"""Setting up cells, devices, failure modes, requirements and trials: names, ranges, locks."""

import math
from dataclasses import replace

import pytest
from sqlalchemy import select
from support.cells import closing, good, log_shift, make_cell, opening, undo, write

from trialog.errors import ConflictError, InvalidValueError
from trialog.records.models import AuditEvent
from trialog.records.queries import cells, find_trial, trials_of
from trialog.records.setup import (
    DEFAULT_MODES,
    NewRequirement,
    add_cell,
    add_device,
    add_mode,
    add_requirement,
    change_cell,
    change_device,
    change_mode,
    has_cycles,
)
from trialog.records.trials import NewTrial, add_trial
from trialog.records.words import CounterEvent, Effect, PlanKind, Stage

CELL = {
    "name": "Mill 2",
    "machine": "mill",
    "part": "flange",
    "operation": "op 10",
    "planned_cycle_seconds": 70.0,
    "counter_modulus": 1_000,
}
REQUIREMENT = NewRequirement(
    name="a night alone", stretch_hours=8.0, chance=0.9, confidence=0.95, design_rate=1e-5
)
TRIAL = NewTrial(
    name="arm by hand",
    stage=Stage.BY_HAND,
    share=1.0,
    plan_kind=PlanKind.ZERO_FAILURE,
    plan_cycles=1_000,
    plan_allowed=0,
    good_pass=None,
    begins_at=None,
    device=None,
)


@pytest.fixture
def by(people, now):
    return {"actor": people.engineer, "now": now}


def newest_event(session):
    session.flush()
    return session.scalars(select(AuditEvent).order_by(AuditEvent.id.desc())).first()


def test_a_cell_is_kept_as_given_and_audited(session, by, people):
    cell = add_cell(session, **CELL, **by)
    assert {name: getattr(cell, name) for name in CELL} == CELL
    event = newest_event(session)
    assert (event.action, event.subject, event.person_id) == ("added", "cell", people.engineer.id)


def test_cells_are_listed_by_name(session, cell, by):
    add_cell(session, **CELL, **by)
    assert [each.name for each in cells(session)] == ["Lathe 4", "Mill 2"]


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("name", " ", "cell name must not be empty"),
        ("name", "x" * 500, "cell name must be at most 120 characters (500 given)"),
        ("machine", "nul\x00", "machine must not hold a NUL"),
        ("part", "half \ud83d", "part must hold whole characters only"),
        ("operation", "two\nlines", "operation must hold printable characters only"),
        ("planned_cycle_seconds", 0, "planned cycle time must be above 0"),
        ("planned_cycle_seconds", -5.0, "planned cycle time must be above 0"),
        ("planned_cycle_seconds", math.nan, "planned cycle time must be above 0"),
        ("planned_cycle_seconds", math.inf, "planned cycle time must be above 0"),
        ("counter_modulus", 1, "counter restarts after must be between 2"),
        ("counter_modulus", 10**13, "counter restarts after must be between 2"),
    ],
)
def test_a_cell_field_that_breaks_its_rule_is_named(session, by, field, value, message):
    with pytest.raises(InvalidValueError) as caught:
        add_cell(session, **CELL | {field: value}, **by)
    assert message in str(caught.value)


@pytest.mark.parametrize("name", ['O\'Neill "9" \\', "Zelle 🙂", "=SUM(A1)", "x" * 120])
def test_any_other_cell_name_is_kept(session, by, name):
    assert add_cell(session, **CELL | {"name": f"  {name} "}, **by).name == name


def test_a_cell_name_is_given_once(session, cell, by):
    with pytest.raises(ConflictError, match="already one named 'Lathe 4'"):
        add_cell(session, **CELL | {"name": "Lathe 4"}, **by)


def test_a_cell_can_be_mended_and_renamed(session, cell, by):
    change_cell(session, cell.cell, **CELL, **by)
    assert {name: getattr(cell.cell, name) for name in CELL} == CELL
    assert newest_event(session).details["before"]["name"] == "Lathe 4"


def test_where_the_counter_restarts_stays_once_a_shift_was_counted_by_it(session, cell, by):
    write(
        session, cell,
        opening("A", counter=9_990), good("A", 20),
        closing("A", 10, counter_event=CounterEvent.ROLLED_OVER), now=by["now"],
    )  # fmt: skip
    with pytest.raises(ConflictError, match="must stay 10000: shift 'A' was counted by it"):
        change_cell(session, cell.cell, **CELL | {"counter_modulus": 999}, **by)
    same = CELL | {"counter_modulus": cell.cell.counter_modulus}
    change_cell(session, cell.cell, **same, **by)
    assert cell.cell.name == CELL["name"]


def test_a_cell_is_not_renamed_to_another_ones_name(session, cell, by):
    make_cell(session, by["now"], "Mill 2")
    with pytest.raises(ConflictError, match="Mill 2"):
        change_cell(session, cell.cell, **CELL, **by)


def test_a_device_name_is_given_once_on_a_cell_and_again_on_another(session, cell, by):
    with pytest.raises(ConflictError, match="already one named 'arm'"):
        add_device(session, cell.cell, "arm", **by)
    other = add_cell(session, **CELL, **by)
    assert add_device(session, other, "arm", **by).cell_id == other.id


def test_a_device_can_be_renamed(session, cell, by):
    change_device(session, cell.arm, "long arm", **by)
    assert cell.arm.name == "long arm"
    with pytest.raises(ConflictError):
        change_device(session, cell.arm, "jet", **by)


def test_a_mode_name_is_given_once_on_the_whole_cell(session, cell, by):
    with pytest.raises(ConflictError, match="already one named 'dropped part'"):
        add_mode(session, cell.jet, "dropped part", Effect.STOPS, **by)


@pytest.mark.parametrize("name", ["a;b", "a+b", "", "x" * 121])
def test_a_mode_name_that_files_could_not_carry_is_refused(session, cell, by, name):
    with pytest.raises(InvalidValueError, match="failure mode must"):
        add_mode(session, cell.arm, name, Effect.STOPS, **by)


def test_a_modes_effect_can_change_until_the_first_cycle(session, cell, by):
    change_mode(session, cell.slow, "slow return", Effect.STOPS, **by)
    assert cell.slow.effect is Effect.STOPS


def test_a_modes_effect_is_fixed_from_the_first_cycle_on(session, cell, by, now):
    log_shift(session, cell, "A", good=1, now=now)
    with pytest.raises(ConflictError, match="must stay 'nuisance': cycles have been logged"):
        change_mode(session, cell.slow, "slow return", Effect.STOPS, **by)


def test_a_mode_can_be_renamed_at_any_time(session, cell, by, now):
    log_shift(session, cell, "A", good=1, now=now)
    change_mode(session, cell.slow, "sluggish return", Effect.NUISANCE, **by)
    assert cell.slow.name == "sluggish return"


def test_the_effect_stays_fixed_also_where_the_only_cycle_was_undone(session, cell, by, now):
    tap = good("A")
    write(session, cell, opening("A"), tap, now=now)
    write(session, cell, undo(tap.client_id), now=now)
    assert has_cycles(session, cell.cell)


def test_an_opened_shift_alone_is_no_cycle(session, cell, now):
    write(session, cell, opening("A"), now=now)
    assert not has_cycles(session, cell.cell)


def test_the_usual_modes_have_different_names_and_an_effect_each():
    assert [name for name, _ in DEFAULT_MODES] == ["dropped part", "chips left", "ejection miss"]
    assert all(isinstance(effect, Effect) for _, effect in DEFAULT_MODES)


def test_a_requirement_keeps_the_cycle_time_it_was_fixed_with(session, cell, by):
    requirement = add_requirement(session, cell.cell, REQUIREMENT, **by)
    change_cell(session, cell.cell, **CELL | {"planned_cycle_seconds": 99.0}, **by)
    assert requirement.cycle_seconds == 45.0


@pytest.mark.parametrize("count", [-1, 1001])
def test_a_number_of_conditions_out_of_range_is_refused(session, cell, by, count):
    with pytest.raises(InvalidValueError, match="min_cold_starts must be between 0 and 1000"):
        add_requirement(session, cell.cell, replace(REQUIREMENT, min_cold_starts=count), **by)


def test_a_requirement_name_is_given_once_on_a_cell(session, cell, by):
    add_requirement(session, cell.cell, REQUIREMENT, **by)
    with pytest.raises(ConflictError, match="a night alone"):
        add_requirement(session, cell.cell, REQUIREMENT, **by)


def test_a_trial_is_found_by_its_name_and_listed_whole_cell_first(session, cell, by):
    requirement = add_requirement(session, cell.cell, REQUIREMENT, **by)
    own = add_trial(session, requirement, replace(TRIAL, device=cell.arm), **by)
    whole = add_trial(session, requirement, replace(TRIAL, name="whole cell"), **by)
    assert find_trial(session, "arm by hand") == own
    assert list(trials_of(session, cell.cell)) == [whole, own]
    assert newest_event(session).details == {
        "name": "whole cell", "cycles": 1_000, "allowed": 0, "lines": None, "follows": None,
    }  # fmt: skip


@pytest.mark.parametrize("share", [0, -0.1, 1.01, math.nan])
def test_a_share_out_of_range_is_refused(session, cell, by, share):
    requirement = add_requirement(session, cell.cell, REQUIREMENT, **by)
    with pytest.raises(InvalidValueError, match="share must be above 0 and at most 1"):
        add_trial(session, requirement, replace(TRIAL, share=share), **by)


def test_a_trial_cannot_begin_at_a_time_without_a_zone(session, cell, by, now):
    requirement = add_requirement(session, cell.cell, REQUIREMENT, **by)
    naive = now.replace(tzinfo=None)
    with pytest.raises(InvalidValueError, match="begins at must carry a time zone"):
        add_trial(session, requirement, replace(TRIAL, begins_at=naive), **by)


def test_a_trial_name_is_given_once(session, cell, by):
    requirement = add_requirement(session, cell.cell, REQUIREMENT, **by)
    add_trial(session, requirement, TRIAL, **by)
    with pytest.raises(ConflictError, match="arm by hand"):
        add_trial(session, requirement, TRIAL, **by)
