"""Which failures count, and under which build state of which device a cycle ran."""

from datetime import timedelta

import pytest
from sqlalchemy import func, select
from support.cells import closing, failed, good, log_shift, opening, revision, ruling, undo

from trialog.errors import ConflictError
from trialog.records.models import CellRollup, FailurePosition, ModeRollup, Revision
from trialog.records.queries import revisions_in_order
from trialog.records.setup import add_device


@pytest.fixture
def drop(running, cell):
    """Return a failed cycle with two modes of two devices, already written."""
    line = failed("A", cell.dropped, cell.chips)
    running.write(line)
    return line


def seen(session, mode):
    """Return how often a mode was seen: relevant, non-relevant, not ruled on."""
    row = session.scalars(select(ModeRollup).where(ModeRollup.failure_mode_id == mode.id)).one()
    return row.relevant, row.non_relevant, row.unruled


def test_a_failure_nobody_ruled_on_counts_as_relevant(running, drop, cell, session):
    assert running.totals() == (1, 1, 1, 0)
    assert seen(session, cell.dropped) == (1, 0, 1)


def test_a_failure_ruled_non_relevant_makes_its_cycle_a_no_test(running, drop, cell, session):
    running.write(ruling(drop.client_id, relevant=False))
    assert running.totals() == (1, 0, 0, 1)
    assert running.device_totals(cell.arm) == running.device_totals(cell.jet) == (0, 0, 1)
    assert running.device_totals(cell.tray) == (1, 0, 0)
    assert seen(session, cell.dropped) == (0, 1, 0)


def test_a_ruling_on_one_mode_leaves_the_other_relevant(running, drop, cell, session):
    running.write(ruling(drop.client_id, relevant=False, mode=cell.dropped))
    assert running.totals() == (1, 1, 1, 0)
    assert running.device_totals(cell.arm) == (0, 0, 1)
    assert running.device_totals(cell.jet) == (1, 1, 0)
    assert (seen(session, cell.dropped), seen(session, cell.chips)) == ((0, 1, 0), (1, 0, 1))


def test_a_later_ruling_replaces_an_earlier_one(running, drop):
    running.write(ruling(drop.client_id, relevant=False))
    running.write(ruling(drop.client_id, relevant=True))
    assert running.totals() == (1, 1, 1, 0)


def test_undoing_a_ruling_brings_the_one_before_back(running, drop):
    second = ruling(drop.client_id, relevant=True)
    running.write(ruling(drop.client_id, relevant=False))
    running.write(second)
    running.write(undo(second.client_id))
    assert running.totals() == (1, 0, 0, 1)


def test_a_ruling_may_follow_the_closing(running, drop, cell):
    running.write(closing("A", 101))
    running.write(ruling(drop.client_id, relevant=False))
    assert running.totals() == (1, 0, 0, 1)
    assert running.shift("A").closed_at is not None


def test_a_failure_knows_how_many_cycles_came_before_it(running, cell, session):
    running.write(good("A", 7), failed("A", cell.dropped), failed("A", cell.chips))
    positions = session.scalars(
        select(FailurePosition.logged_before).order_by(FailurePosition.entry_id)
    )
    assert positions.all() == [7, 8]


def test_a_tallied_failure_has_no_place_in_the_order(running, cell, session):
    running.write(good("A", 7), failed("A", cell.dropped, order_known=False))
    assert session.scalars(select(FailurePosition.logged_before)).all() == [None]


def test_a_cell_starts_with_the_revision_it_was_set_up_with(cell, session):
    first = revisions_in_order(session, cell.id)[0]
    assert (first.what, first.device_id, first.effective_at) == ("as first set up", None, None)
    assert revisions_in_order(session, cell.id) == [first]


def by_revision(session):
    rows = (
        select(Revision.what, func.sum(CellRollup.cycles))
        .join(CellRollup, CellRollup.revision_id == Revision.id)
        .group_by(Revision.what)
    )
    return dict(list(session.execute(rows)))


def test_cycles_after_a_revision_belong_to_it(running, cell, session, now):
    running.write(good("A", 5))
    running.write(revision(cell.arm, "stronger spring"), now=now + timedelta(minutes=1))
    running.write(good("A", 3), now=now + timedelta(minutes=2))
    assert by_revision(session) == {"as first set up": 5, "stronger spring": 3}


def test_a_back_dated_revision_takes_over_the_cycles_since(logbook, cell, session, now):
    for day in range(3):
        moment = now + timedelta(days=day)
        log_shift(session, cell, f"day {day}", good=10 + day, now=moment)
    later = now + timedelta(days=3)
    since = now + timedelta(hours=12)
    logbook.write(revision(cell.arm, "new jaw", occurred_at=since), now=later)
    assert by_revision(session) == {"as first set up": 10, "new jaw": 11 + 12}
    assert logbook.verify() == []


def test_undoing_a_revision_gives_its_cycles_back(logbook, cell, session, now):
    log_shift(session, cell, "day", good=10, now=now)
    change = revision(cell.arm, "new jaw", occurred_at=now - timedelta(days=1))
    logbook.write(change)
    logbook.write(undo(change.client_id))
    session.rollback()
    assert by_revision(session) == {"as first set up": 10}
    assert [each.what for each in revisions_in_order(session, cell.id)] == ["as first set up"]
    assert logbook.verify() == []


def test_a_revision_is_undone_once(logbook, cell):
    change = revision(cell.arm)
    logbook.write(change)
    logbook.write(undo(change.client_id))
    logbook.refuse_because("already undone", undo(change.client_id))


def test_two_revisions_at_one_moment_stand_in_the_order_they_were_written(
    logbook, cell, session, now
):
    logbook.write(revision(cell.arm, "first"), revision(cell.jet, "second"))
    assert [each.what for each in revisions_in_order(session, cell.id)][1:] == ["first", "second"]
    logbook.write(opening("A"), good("A"), now=now)
    assert by_revision(session) == {"second": 1}


def test_a_revision_that_keeps_the_evidence_says_why(logbook, cell, session):
    logbook.write(revision(cell.arm, "label", resets=False, reason="a sticker"))
    change = revisions_in_order(session, cell.id)[-1]
    assert (change.resets_evidence, change.reason) == (False, "a sticker")


def test_a_revision_belongs_to_no_shift(running, cell):
    change = revision(cell.arm)
    running.write(change)
    assert running.entry(change.client_id).shift_id is None


def test_a_device_added_later_gets_no_credit_for_cycles_before_it(logbook, cell, session, now):
    log_shift(session, cell, "before", good=10, now=now - timedelta(hours=1))
    late = add_device(session, cell.cell, "camera", actor=None, now=now)
    session.commit()
    log_shift(session, cell, "after", good=4, now=now + timedelta(hours=1))
    newest = revisions_in_order(session, cell.id)[-1]
    assert (newest.device_id, newest.resets_evidence) == (late.id, True)
    assert by_revision(session)[newest.what] == 4
    assert logbook.verify() == []


def test_a_device_added_before_the_first_cycle_is_no_revision(cell, session, now):
    add_device(session, cell.cell, "camera", actor=None, now=now)
    assert len(revisions_in_order(session, cell.id)) == 1


def test_undoing_a_line_of_a_revision_that_is_unknown_is_refused(logbook):
    error = logbook.refuse(undo("no-such-revision"))
    assert not isinstance(error, ConflictError)
