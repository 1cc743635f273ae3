"""What breaks a rule is parked: seen, mended by an engineer, never lost, never doubled."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select
from support.intake import parked_rows

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError
from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.intake import Incoming
from trialog.records.models import AuditEvent
from trialog.records.parking import count_parked, leave_out, parked_lines, write_in
from trialog.records.words import EntryKind, ParkedOutcome, Reading

# ── What breaks a rule is parked ─────────────────────────────────────────────────────────────


def test_a_refused_line_is_parked_and_the_rest_goes_on(session, logbook, tablet, cell):
    tablet.send(tablet.open())
    lines = [tablet.good(), tablet.good(0), tablet.failed(cell.chips)]
    taken = tablet.send(*lines)
    assert [one.status for one in taken] == ["added", "parked", "added"]
    assert "cycles must be between" in str(taken[1].reason)
    [parked] = parked_rows(session)
    assert (parked.client_id, parked.line) == (lines[1].client_id, lines[1].raw)
    assert parked.tablet_id == tablet.row.id
    assert parked.person_id == tablet.person.id
    assert count_parked(session, cell.id) == 1


def test_a_parked_line_sent_again_is_parked_once(session, tablet):
    tablet.send(tablet.open())
    bad = tablet.good(0)
    first, second = tablet.send(bad), tablet.send(bad)
    assert [first[0].status, second[0].status] == ["parked", "parked"]
    assert str(second[0].reason) == str(first[0].reason)
    assert len(parked_rows(session)) == 1


def test_a_line_that_could_not_be_read_is_parked_as_it_came(session, tablet):
    tablet.send(tablet.open())
    raw = {"client_id": "odd-1", "kind": "good", "cycles": "three\x00\ud800", "new": [1, 2]}
    error = InvalidValueError("cycles", "be a whole number", "three")
    assert tablet.statuses(Incoming("odd-1", raw, None, error)) == ["parked"]
    assert parked_rows(session)[0].line == raw


def test_an_undo_of_a_parked_line_takes_it_back(session, tablet):
    tablet.send(tablet.open())
    bad = tablet.good(0)
    tablet.send(bad)
    sorry = tablet.undo(bad)
    assert tablet.statuses(sorry) == ["added"]
    assert tablet.statuses(sorry) == ["repeated"]
    assert parked_rows(session)[0].outcome is ParkedOutcome.TAKEN_BACK
    assert parked_lines(session) == []


@pytest.mark.parametrize("kind", [EntryKind.RULING, EntryKind.READING, EntryKind.REVISION])
def test_what_only_an_engineers_page_may_write_is_parked(session, tablet, kind):
    tablet.send(tablet.open())
    assert tablet.statuses(tablet.line(kind)) == ["parked"]
    assert "a tablet may not write" in parked_rows(session)[0].why


def test_a_tablet_does_not_undo_a_closing_whoever_its_line_names(session, tablets, people):
    tablet = tablets()
    close = tablet.line(EntryKind.SHIFT_CLOSED)
    tablet.send(tablet.open(), close)
    assert tablet.statuses(tablet.undo(close)) == ["parked"]
    tablet.person = people.engineer
    assert tablet.statuses(tablet.undo(close)) == ["parked"]
    assert "signed in to trialog" in parked_rows(session)[1].why


@pytest.mark.parametrize("kind", [EntryKind.RULING, EntryKind.READING, EntryKind.REVISION])
def test_a_tablet_does_not_undo_what_it_may_not_write(
    session, logbook, tablets, people, cell, *, now, kind
):
    tablet = tablets(people.engineer)  # the line says so; the key alone proves no engineer
    failed = tablet.failed(cell.chips)
    tablet.send(tablet.open(counter=0), failed)
    engineers = {
        EntryKind.RULING: {
            "shift": "A", "target": failed.client_id, "relevant": True,
        },
        EntryKind.READING: {"shift": "A", "reading": Reading.OPENING, "counter": 5},
        EntryKind.REVISION: {
            "device_id": cell.jet.id, "resets_evidence": True, "text": "a new nozzle",
        },
    }  # fmt: skip
    line = NewEntry(client_id="engineers", kind=kind, occurred_at=now, **engineers[kind])
    logbook.write(line, actor=people.engineer)
    undo = tablet.undo(tablet.good()).entry._replace(target="engineers", shift=None)
    assert tablet.statuses(Incoming(undo.client_id, {"kind": "undo"}, undo)) == ["parked"]
    assert "signed in to trialog" in parked_rows(session)[0].why


def test_a_line_of_somebody_who_left_since_is_taken(session, logbook, tablet, people):
    tablet.send(tablet.open())
    people.operator.active = False
    session.commit()
    assert tablet.statuses(tablet.good()) == ["added"]
    assert logbook.entries()[-1].recorded_by_id == people.operator.id


@pytest.mark.parametrize("person_id", [None, 987_654])
def test_a_line_of_nobody_is_parked(session, tablet, person_id):
    tablet.send(tablet.open())
    assert tablet.statuses(tablet.good(person_id=person_id)) == ["parked"]
    assert "person must be a known person" in parked_rows(session)[0].why


def test_each_line_is_recorded_by_who_was_signed_in(logbook, tablet, people):
    tablet.send(
        tablet.open(), tablet.good(), tablet.good(person_id=people.engineer.id), tablet.good()
    )
    assert [entry.recorded_by_id for entry in logbook.entries()] == [
        people.operator.id, people.operator.id, people.engineer.id, people.operator.id,
    ]  # fmt: skip


# ── An engineer sees to it ───────────────────────────────────────────────────────────────────


@pytest.fixture
def stranded(session, tablets):
    """Return the parked lines of a tablet whose shift was not the open one."""
    one, two = tablets(), tablets()
    one.send(one.open("A"))
    two.send(two.good(2, shift="B"))
    return parked_rows(session)


def test_an_engineer_writes_a_parked_line_in_under_its_own_id(
    session, logbook, people, stranded, now
):
    [parked] = stranded
    mended = NewEntry(
        client_id="whatever", kind=EntryKind.GOOD, shift="A", cycles=2, tablet_number=1,
        tablet_id=parked.tablet_id, person_id=people.operator.id, occurred_at=now,
    )  # fmt: skip
    with unit_of_work(session):
        written = write_in(session, parked, mended, actor=people.engineer, now=now)
    assert (written.client_id, written.cycle_number) == (parked.client_id, None)
    assert (written.person_id, written.recorded_by_id) == (people.operator.id, people.engineer.id)
    assert parked.outcome is ParkedOutcome.WRITTEN
    assert logbook.totals()[0] == 2
    assert logbook.verify() == []


def test_the_tablet_that_sends_a_mended_line_again_hears_that_it_is_there(
    session, tablets, people, now
):
    one, two = tablets(), tablets()
    one.send(one.open("A"))
    tap = two.good(shift="B")
    two.send(tap)
    [parked] = parked_rows(session)
    mended = NewEntry(
        client_id=tap.client_id, kind=EntryKind.GOOD, shift="A", cycles=1, tablet_number=1,
        tablet_id=parked.tablet_id, person_id=people.operator.id, occurred_at=now,
    )  # fmt: skip
    with unit_of_work(session):
        write_in(session, parked, mended, actor=people.engineer, now=now)
    assert two.statuses(tap) == ["repeated"]


def test_an_engineer_leaves_a_line_out_only_with_a_reason(session, people, stranded, now):
    [parked] = stranded
    with pytest.raises(InvalidValueError, match="reason"), unit_of_work(session):
        leave_out(session, parked, "  ", actor=people.engineer, now=now)
    with unit_of_work(session):
        leave_out(session, parked, "tapped while testing", actor=people.engineer, now=now)
    assert parked.outcome is ParkedOutcome.LEFT_OUT
    assert parked_lines(session) == []
    last = session.scalars(select(AuditEvent).order_by(AuditEvent.id)).all()[-1]
    assert (last.action, last.details["reason"]) == ("left out", "tapped while testing")
    with pytest.raises(ConflictError, match="left out before"), unit_of_work(session):
        leave_out(session, parked, "again", actor=people.engineer, now=now)


def test_an_operator_may_not_settle_a_parked_line(session, people, stranded, now):
    with pytest.raises(NotAllowedError), unit_of_work(session):
        leave_out(session, stranded[0], "mine", actor=people.operator, now=now)


def test_a_mended_line_is_not_dated_after_it_came(session, logbook, people, stranded, now):
    [parked] = stranded
    mended = NewEntry(
        client_id="whatever", kind=EntryKind.GOOD, shift="A", cycles=2, tablet_number=1,
        tablet_id=parked.tablet_id, person_id=people.operator.id,
        occurred_at=now + timedelta(hours=2),
    )  # fmt: skip
    later = now + timedelta(hours=3)
    with unit_of_work(session):
        written = write_in(session, parked, mended, actor=people.engineer, now=later)
    assert written.occurred_at == parked.parked_at == now
    assert logbook.verify() == []
