"""A relay box or a gateway tells what the machine counted: each thing once."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from support.cells import closing, opening, write
from support.clients import Program, assert_problem

from trialog.evidence import define_requirement, start_trial
from trialog.records.database import unit_of_work
from trialog.records.feeds import NewFeed, add_feed, switch_feed
from trialog.records.hearing import Said, hear
from trialog.records.models import Entry, Shift, VerdictChange
from trialog.records.setup import NewRequirement
from trialog.records.verify import verify
from trialog.records.words import EntryKind, PlanKind, Scope, Stage


@pytest.fixture
def box(app, session, people):
    return Program(app, session, people.operator, Scope.COUNT)


@pytest.fixture
def trial(session, cell, now):
    new = NewRequirement(
        name="ten", stretch_hours=0.125, chance=0.5, confidence=0.9, design_rate=0.001
    )
    by = {"actor": None, "now": now}
    with unit_of_work(session):
        stated = define_requirement(session, cell.cell, new, **by)
        return start_trial(
            session, stated, name="all by hand", stage=Stage.BY_HAND,
            plan_kind=PlanKind.ZERO_FAILURE, **by,
        )  # fmt: skip


@pytest.fixture
def count(box, cell):
    """Return a function that sends what the machine counted, and returns the answer."""

    def send(**body):
        return box.post(f"/cells/{cell.id}/counter", json=body)

    return send


def lines(session):
    session.rollback()
    statement = select(Entry).where(Entry.kind == EntryKind.COUNT).order_by(Entry.sequence)
    return session.scalars(statement).all()


def test_each_pulse_is_one_part_more(count, session):
    assert [count(pulse=f"p{n}").json["counter"] for n in range(3)] == [1, 2, 3]
    again = count(pulse="p1")
    assert again.json == {"counter": 2, "event": None, "sequence": 2, "repeated": True}
    assert [line.counter for line in lines(session)] == [1, 2, 3]
    assert verify(session) == []


def test_a_pulse_goes_on_from_a_total(count):
    count(total=412, id="a", state="ACTIVE")
    assert count(pulse="p").json["counter"] == 413


def test_a_running_total_tells_of_resets_and_of_rolling_over(count, cell):
    told = [count(total=n, id=f"t{n}").json for n in (9_990, 12, 5)]
    assert [(one["counter"], one["event"]) for one in told] == [
        (9_990, None), (12, "rolled over"), (5, "reset"),
    ]  # fmt: skip
    count(total=9_999, id="last")
    assert count(pulse="p").json == {
        "counter": 0, "event": "rolled over", "sequence": 5, "repeated": False,
    }  # fmt: skip


def test_the_same_id_with_another_total_is_refused(count, session):
    count(total=1, id="a")
    assert count(total=1, id="a").json["repeated"] is True
    told = assert_problem(count(total=2, id="a"), 409, "Conflict")
    assert "id must be new for a new reading" in told["detail"]
    assert len(lines(session)) == 1


def test_two_boxes_do_not_meet_in_their_ids(count, app, session, people, cell):
    other = Program(app, session, people.operator, Scope.COUNT, name="other box")
    count(pulse="a")
    assert other.post(f"/cells/{cell.id}/counter", json={"pulse": "a"}).json["counter"] == 2


def test_times_are_held_between_the_reading_before_and_now(count, session):
    begun = datetime.now(UTC)
    ahead = (begun + timedelta(days=400)).isoformat()
    for at in (ahead, "1999-01-01T00:00:00+02:00", None):
        count(pulse=f"p{at}"[:9], at=at)
    times = [line.occurred_at for line in lines(session)]
    assert times == sorted(times)
    assert all(begun <= time <= datetime.now(UTC) for time in times)


def test_a_server_whose_clock_was_set_back_goes_on_counting(count, session, cell):
    ahead = datetime.now(UTC) + timedelta(minutes=30)
    with unit_of_work(session):
        hear(session, cell.cell, [Said(client_id="early", counter=4)], actor=None, now=ahead)
    assert count(pulse="p").json["counter"] == 5
    assert count(total=9, id="t").json["counter"] == 9
    assert {line.occurred_at for line in lines(session)} == {ahead}
    assert verify(session) == []


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"pulse": "a", "total": 3},
        {"total": 3},
        {"total": -1, "id": "a"},
        {"total": 10**12 + 1, "id": "a"},
        {"total": True, "id": "a"},
        {"total": 1.5, "id": "a"},
        {"total": "5", "id": "a"},
        {"pulse": ""},
        {"pulse": "a b"},
        {"pulse": "x" * 41},
        {"pulse": "a", "at": "2026-03-02T06:00:00"},
        {"pulse": "a", "at": "yesterday"},
        {"pulse": "a", "at": "1899-12-31T23:59:59Z"},
        {"total": 1, "id": "a", "at": "0001-01-01T00:00:00+14:00"},
        {"pulse": "a", "state": "active"},
        {"pulse": "a", "state": "A" * 41},
        [],
        "pulse",
    ],
)
def test_anything_else_is_refused_and_nothing_is_written(box, cell, session, body):
    answer = box.post(f"/cells/{cell.id}/counter", json=body)
    assert_problem(answer, 422, "Invalid value")
    assert lines(session) == []


def test_only_a_token_for_counting_opens_it(app, session, people, cell):
    reader = Program(app, session, people.operator, Scope.READ, Scope.LOG, name="reader")
    answer = reader.post(f"/cells/{cell.id}/counter", json={"pulse": "a"})
    assert_problem(answer, 403, "Not allowed")


def test_a_box_of_one_cell_counts_for_no_other(app, session, people, cell):
    box = Program(app, session, people.operator, Scope.COUNT, cell=cell.cell, name="its own")
    assert box.post(f"/cells/{cell.id}/counter", json={"pulse": "a"}).status_code == 200
    answer = box.post(f"/cells/{cell.id + 1}/counter", json={"pulse": "a"})
    assert_problem(answer, 403, "Not allowed")


def test_a_cell_that_is_followed_through_its_agent_is_not_counted_twice(count, cell, session, now):
    by = {"actor": None, "now": now}
    with unit_of_work(session):
        new = NewFeed(url="http://127.0.0.1:5000", count_item="pc")
        feed = add_feed(session, cell.cell, new, **by)
    told = assert_problem(count(pulse="a"), 409, "Conflict")
    assert "pause that feed" in told["detail"]
    with unit_of_work(session):
        switch_feed(session, feed, on=False, **by)
    assert count(pulse="a").status_code == 200


def test_what_comes_late_is_told_of_the_closed_shift_and_its_verdicts_noted(
    count, cell, session, trial
):
    begin = datetime.now(UTC) - timedelta(hours=1)

    def at(minutes):
        return (begin + timedelta(minutes=minutes)).isoformat()

    count(total=10, id="a", at=at(0))
    write(
        session, cell, opening("A", occurred_at=begin + timedelta(minutes=1)),
        closing("A", occurred_at=begin + timedelta(minutes=9)), now=datetime.now(UTC),
    )  # fmt: skip
    noted = len(session.scalars(select(VerdictChange)).all())
    count(total=15, id="b", at=at(5))
    session.rollback()
    assert session.scalars(select(Shift.machine_counted)).one() == 5
    assert len(session.scalars(select(VerdictChange)).all()) > noted
