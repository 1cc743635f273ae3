"""A cell's setup from a TOML file."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import func, select

from trialog.errors import ConflictError, InvalidValueError, UnknownNameError
from trialog.evidence import plan_of
from trialog.feeds import load_setup
from trialog.feeds import toml_tables as tables
from trialog.records.database import unit_of_work
from trialog.records.models import AuditEvent, Cell, Device, FailureMode, Person, Trial
from trialog.records.pins import check_pin
from trialog.records.setup import DEFAULT_MODES
from trialog.records.words import Effect, PlanKind, Role, Stage
from trialog.reliability import SequentialPlan

WHOLE = """
[cell]
name = "Mill 2"
machine = "vertical mill"
part = "hinge plate"
operation = "op 10"
planned_cycle_seconds = 52.5
counter_restarts_after = 100000

[[devices]]
name = "press arm"
share = 0.25
modes = [
  {name = "dropped part", effect = "stops the cell"},
  {name = "slow return", effect = "nuisance"},
]

[[devices]]
name = "chip jet"
[[devices.modes]]
name = "chips left"
effect = "can damage"

[requirement]
name = "half a night alone"
stretch_hours = 4
chance = 0.9
confidence = 0.95
design_rate = 0.00005
min_shifts = 3
min_cold_starts = 1
sign_roles = ["approver", "engineer", "admin"]

[[trials]]
name = "press arm, by hand"
device = "press arm"
stage = "by hand"
plan = "fixed-size"
good_pass = 0.8
begins_at = 2026-02-01T06:00:00+01:00

[[trials]]
name = "whole cell"
stage = "by hand"
plan = "zero-failure"

[[people]]
name = "Otto Setter"
role = "engineer"
pin = "4711"
"""


@pytest.fixture
def load(session, now):
    def load(content):
        with unit_of_work(session):
            return load_setup(session, content.encode(), actor=None, now=now)

    return load


def one(session, table, name):
    return session.scalars(select(table).filter_by(name=name)).one()


def test_a_cell_whose_machine_counts_the_good_cycles(session, load):
    load(SMALL + "machine_counts_good = true")
    (cell,) = session.scalars(select(Cell))
    assert cell.good_by_machine is True
    assert not load(SMALL + "machine_counts_good = true").added
    assert not load(SMALL).added


def test_a_file_sets_up_a_whole_cell(session, load):
    result = load(WHOLE)
    cell = one(session, Cell, "Mill 2")
    assert result.cell is cell
    assert (cell.planned_cycle_seconds, cell.counter_modulus) == (52.5, 100_000)
    assert [device.name for device in cell.devices] == ["press arm", "chip jet"]
    assert [(mode.name, mode.effect) for mode in cell.modes] == [
        ("dropped part", Effect.STOPS),
        ("slow return", Effect.NUISANCE),
        ("chips left", Effect.DAMAGE),
    ]
    arm, whole = one(session, Trial, "press arm, by hand"), one(session, Trial, "whole cell")
    assert (arm.share, whole.share) == (0.25, 1.0)
    assert (arm.plan_kind, arm.good_pass) == (PlanKind.FIXED_SIZE, 0.8)
    assert (whole.plan_kind, whole.stage, whole.device_id) == (
        PlanKind.ZERO_FAILURE, Stage.BY_HAND, None,
    )  # fmt: skip
    assert arm.begins_at == datetime(2026, 2, 1, 5, 0, tzinfo=UTC)
    assert (arm.requirement.min_shifts, arm.requirement.min_cold_starts) == (3, 1)
    assert arm.requirement.sign_roles == ["engineer", "approver", "admin"]
    assert one(session, Person, "Otto Setter").role is Role.ENGINEER


def test_the_people_of_a_file_sign_in_with_their_pins(session, load, now):
    load(WHOLE)
    assert check_pin(session, "Otto Setter", "4711", now=now) is not None


def test_what_was_added_is_reported(load):
    result = load(WHOLE)
    assert result.added == [
        "person 'Otto Setter'", "cell 'Mill 2'",
        "device 'press arm'", "failure mode 'dropped part'", "failure mode 'slow return'",
        "device 'chip jet'", "failure mode 'chips left'",
        "requirement 'half a night alone'", "trial 'press arm, by hand'", "trial 'whole cell'",
    ]  # fmt: skip
    assert result.kept == []
    assert result.in_words.startswith("Added person 'Otto Setter', cell 'Mill 2'")


def test_loading_a_file_twice_leaves_everything_alone_and_says_so(session, load):
    first = load(WHOLE)
    events = session.scalar(select(func.count(AuditEvent.id)))
    again = load(WHOLE)
    assert (again.added, again.kept) == ([], first.added)
    assert again.in_words.startswith("Nothing new in this file. There already: person")
    assert session.scalar(select(func.count(AuditEvent.id))) == events


SEQUENTIAL = WHOLE.replace('plan = "fixed-size"', 'plan = "sequential"')


def test_a_file_may_ask_for_a_sequential_plan(session, load):
    load(SEQUENTIAL)
    trial = one(session, Trial, "press arm, by hand")
    assert (trial.plan_kind, trial.good_pass) == (PlanKind.SEQUENTIAL, 0.8)
    plan = plan_of(trial)
    assert isinstance(plan, SequentialPlan)
    assert plan.limit == pytest.approx(1 - 0.9 ** (0.25 / 274), rel=1e-9)  # floor(4 h / 52.5 s)
    assert plan.pass_chance(plan.limit) <= 0.05
    assert plan.pass_chance(plan.design) >= 0.8


def test_a_sequential_plan_passes_a_good_device_nine_times_in_ten_if_nobody_says(session, load):
    load(SEQUENTIAL.replace("good_pass = 0.8\n", ""))
    assert one(session, Trial, "press arm, by hand").good_pass == 0.9


def test_loading_a_sequential_plan_twice_leaves_its_lines_alone(session, load):
    first = load(SEQUENTIAL)
    plan = plan_of(one(session, Trial, "press arm, by hand"))
    events = session.scalar(select(func.count(AuditEvent.id)))
    again = load(SEQUENTIAL)
    assert (again.added, again.kept) == ([], first.added)
    assert session.scalar(select(func.count(AuditEvent.id))) == events
    assert plan_of(one(session, Trial, "press arm, by hand")) == plan


@pytest.mark.parametrize("other", ["fixed-size", "zero-failure"])
def test_another_plan_for_a_sequential_trial_is_a_conflict(load, other):
    load(SEQUENTIAL)
    with pytest.raises(ConflictError, match="with plan_kind 'sequential', but the file says"):
        load(SEQUENTIAL.replace('"sequential"', f'"{other}"'))


def test_a_file_that_has_grown_adds_what_is_new(load):
    load(WHOLE)
    grown = WHOLE + '[[people]]\nname = "Ida"\nrole = "operator"\npin = "0815"\n'
    assert load(grown).added == ["person 'Ida'"]


@pytest.mark.parametrize(
    ("before", "after", "reason"),
    [
        ("52.5", "60", "cell 'Mill 2' is there already with planned_cycle_seconds 52.5, but the"),
        ('"op 10"', '"op 20"', "cell 'Mill 2' is there already with operation 'op 10'"),
        ('"chips left"', '"slow return"', "'slow return' is there already with device 'press arm'"),
        ('device = "press arm"', 'device = "chip jet"', "with device 'press arm', but the file"),
        ('"can damage"', '"nuisance"', "failure mode 'chips left' is there already with effect"),
        ("0.95", "0.9", "requirement 'half a night alone' is there already with confidence 0.95"),
        (', "admin"]', "]", "with sign_roles ['engineer', 'approver', 'admin'], but the file"),
        ("good_pass = 0.8", "good_pass = 0.9", "with good_pass 0.8, but the file says 0.9"),
        ("share = 0.25", "share = 0.5", "'press arm, by hand' is there already with share 0.25"),
        ("T06:00", "T07:00", "with begins_at '2026-02-01T05:00:00+00:00'"),
        (
            '= "engineer"',
            '= "operator"',
            "person 'Otto Setter' is there already with role",
        ),
    ],
)
def test_a_contradiction_to_the_records_is_a_conflict(session, load, before, after, reason):
    load(WHOLE)
    assert before in WHOLE
    with pytest.raises(ConflictError) as caught:
        load(WHOLE.replace(before, after))
    assert reason in str(caught.value)


SMALL = """
[cell]
name = "Mill 2"
machine = "mill"
part = "plate"
operation = "10"
planned_cycle_seconds = 50
"""


def test_a_single_device_gets_the_default_failure_modes(session, load):
    load(SMALL + '[[devices]]\nname = "arm"\n')
    device = one(session, Device, "arm")
    assert tuple((mode.name, mode.effect) for mode in device.modes) == DEFAULT_MODES


def test_several_devices_name_their_own_failure_modes(session, load):
    with pytest.raises(InvalidValueError) as caught:
        load(SMALL + '[[devices]]\nname = "arm"\n[[devices]]\nname = "jet"\n')
    assert "[[devices]] 1 modes must be given where a cell has several devices" in str(caught.value)
    assert session.scalars(select(Device)).all() == []
    assert session.scalars(select(Cell)).all() == []


def test_a_file_may_hold_people_alone(session, load):
    result = load('[[people]]\nname = "Ida"\nrole = "Operator"\npin = "0815"\n')
    assert result.cell is None
    assert one(session, Person, "Ida").role is Role.OPERATOR


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (
            SMALL.replace("50", '"fast"'),
            "[cell] planned_cycle_seconds must be a number, got 'fast'",
        ),
        (SMALL.replace("50", "true"), "planned_cycle_seconds must be a number, got True"),
        (SMALL.replace("50", "nan"), "planned_cycle_seconds must be a number, got nan"),
        (SMALL.replace("50", "1" + "0" * 400), "planned_cycle_seconds must be a number"),
        (SMALL.replace("50", "1" + "0" * 5000), "setup file must be valid TOML"),
        (SMALL.replace("50", "-1"), "planned cycle time must be above 0"),
        (SMALL.replace('"plate"', "7"), "[cell] part must be a text in quotes, got 7"),
        (SMALL.replace('part = "plate"', ""), "[cell] part must be given, got None"),
        (SMALL + "colour = 1", "[cell] must hold only the keys name, machine, part"),
        (SMALL + "machin = 1", "(did you mean 'machine'?), got 'machin'"),
        (SMALL + "counter_restarts_after = 1.5", "counter_restarts_after must be a whole number"),
        (SMALL + "counter_restarts_after = true", "must be a whole number, got True"),
        (SMALL + "machine_counts_good = 1", "machine_counts_good must be true or false, got 1"),
        ("[cells]\n", "setup file must hold only the keys cell, devices, requirement"),
        ("cell = 3\n", "[cell] must be a table, got 3"),
        ("devices = 3\n", "[[devices]] must be a list of tables, got 3"),
        ("people = [1]\n", "[[people]] must be a list of tables, got [1]"),
        ("[[devices]]\nname = 'arm'\n", "[cell] must be given where the file holds more of it"),
        (SMALL + "[[devices]]\nname='a'\nmodes=1\n", "[[devices]] 1 [[modes]] must be a list of"),
        (
            SMALL + "[[devices]]\nname='a'\n[[devices.modes]]\nname='m'\neffect='bad'\n",
            "[[devices]] 1 [[modes]] 1 effect must be one of stops the cell, can damage, nuisance",
        ),
        (
            SMALL + "[[devices]]\nname='a'\n[[devices.modes]]\nname='m'\ncolour='red'\n",
            "[[devices]] 1 [[modes]] 1 must hold only the keys name, effect, got 'colour'",
        ),
        (
            SMALL + "[[trials]]\nname='t'\nstage='by hand'\nplan='zero-failure'\n",
            "[requirement] must be given where the file holds trials",
        ),
        (WHOLE.replace("design_rate = 0.00005", "design_rate = 0.5"), "design rate must be below"),
        (WHOLE.replace('["approver",', '["chief",'), "[requirement] sign_roles must be one of op"),
        (WHOLE.replace('["approver",', "[1,"), "sign_roles must be a list of texts in quotes"),
        (WHOLE.replace('"admin"]', '"operator"]'), "sign_roles must be among engineer, approver"),
        (WHOLE.replace('"by hand"', '"alone"'), "[[trials]] 1 stage must be one of by hand"),
        (WHOLE.replace("+01:00", ""), "[[trials]] 1 begins_at must carry a time zone"),
        (WHOLE.replace("2026-02-01T06:00:00+01:00", "2026-02-01"), "begins_at must be a text"),
        (WHOLE.replace("2026-02", "2036-02"), "begins at must not lie in the future"),
        (WHOLE.replace('pin = "4711"', "pin = 4711"), "[[people]] 1 pin must be a text in quotes"),
        (WHOLE.replace('"4711"', '"1"'), "PIN must have 4 to 64 characters, got '•'"),
        ("[cell\n", "setup file must be valid TOML"),
        ("x = " + "[" * 5000, "setup file must be valid TOML"),
    ],
)
def test_a_mistake_is_named_with_its_table_and_nothing_is_written(session, load, content, reason):
    with pytest.raises(InvalidValueError) as caught:
        load(content)
    assert reason in str(caught.value)
    assert [session.scalars(select(table)).all() for table in (Cell, Person, FailureMode)] == [
        [], [], [],
    ]  # fmt: skip


def test_a_trial_of_an_unknown_device_is_named_with_the_one_that_was_meant(load):
    with pytest.raises(UnknownNameError, match=r"mean 'press arm'\?\), got 'pres arm'"):
        load(WHOLE.replace('device = "press arm"', 'device = "pres arm"'))


def test_a_file_in_another_character_set_is_refused(session, now):
    with pytest.raises(InvalidValueError, match="setup file must be text in UTF-8"):
        load_setup(session, 'x = "ä"'.encode("cp1252"), actor=None, now=now)


def test_a_byte_order_mark_does_no_harm(session, now):
    assert load_setup(session, b"\xef\xbb\xbf", actor=None, now=now).added == []


def test_a_file_that_is_too_large_is_refused(session, now):
    with pytest.raises(InvalidValueError, match="setup file must be at most 1 MiB"):
        load_setup(session, b" " * (tables.LARGEST_FILE + 1), actor=None, now=now)


def test_a_trial_may_go_on_from_one_above_it(session, load):
    chained = WHOLE.replace(
        "[[people]]",
        """[[trials]]
name = "attended"
stage = "robot attended"
plan = "zero-failure"
follows = "whole cell"

[[people]]""",
    )
    load(chained)
    former, later = one(session, Trial, "whole cell"), one(session, Trial, "attended")
    assert later.follows_id == former.id
    assert load(chained).added == [], "the same file again"
    with pytest.raises(UnknownNameError, match="did you mean 'whole cell'"):
        load(chained.replace('follows = "whole cell"', 'follows = "whole cel"'))
    with pytest.raises(InvalidValueError, match="former trial must be of the same device or cell"):
        load(
            chained.replace('"attended"', '"other"').replace(
                'follows = "whole cell"', 'follows = "press arm, by hand"'
            )
        )
