"""The cause of a ruling: when it must be given, and that the hash chain holds it."""

import hashlib

import pytest
from sqlalchemy import select, update
from support.cells import failed, ruling

from trialog.records.chain import CHAINED, PROTECTED, canonical, entry_hash
from trialog.records.models import Entry
from trialog.records.verify import verify
from trialog.records.words import EntryKind, RulingCause

OUTSIDE = [cause for cause in RulingCause if not cause.speaks_against_device]


@pytest.fixture
def drop(running, cell):
    """Return a failed cycle that is written."""
    line = failed("A", cell.dropped)
    running.write(line)
    return line


def stored(session):
    return session.scalars(select(Entry).where(Entry.kind == EntryKind.RULING)).one()


def test_a_ruling_keeps_its_cause(running, drop, session):
    running.write(ruling(drop.client_id, False, cause=RulingCause.SUPPLY))
    assert stored(session).cause is RulingCause.SUPPLY


def test_only_two_causes_lie_with_the_device_or_with_nobody():
    assert set(RulingCause) - set(OUTSIDE) == {RulingCause.DEVICE, RulingCause.NOT_FOUND}


@pytest.mark.parametrize("cause", OUTSIDE)
def test_what_lies_outside_the_device_may_leave_the_count(running, drop, cause):
    running.write(ruling(drop.client_id, False, cause=cause))
    assert running.totals() == (1, 0, 0, 1)


@pytest.mark.parametrize("cause", RulingCause)
def test_a_failure_of_any_cause_may_be_ruled_relevant(running, drop, cause):
    running.write(ruling(drop.client_id, True, cause=cause))
    assert running.totals() == (1, 1, 1, 0)


@pytest.mark.parametrize("cause", [RulingCause.DEVICE, RulingCause.NOT_FOUND])
def test_what_lies_with_the_device_or_with_nobody_stays_in_the_count(running, drop, cause):
    rule = f"lie outside the device where a failure is ruled non-relevant, got '{cause.value}'"
    running.refuse_because(rule, ruling(drop.client_id, False, cause=cause))


def test_non_relevant_needs_a_cause_and_words(running, drop):
    running.refuse_because("cause must be given", ruling(drop.client_id, False, cause=None))
    running.refuse_because("reason must be given", ruling(drop.client_id, False, reason=" "))


def test_relevant_needs_neither_but_words_where_the_cause_points_to_them(running, drop):
    running.write(ruling(drop.client_id, True, reason=""))
    other = ruling(drop.client_id, True, cause=RulingCause.OTHER, reason="")
    running.refuse_because("reason must be given", other)


def test_a_ruling_from_before_there_were_causes_is_taken_as_such(running, drop):
    running.write(ruling(drop.client_id, False, cause=None, cause_unwritten=True))
    assert running.totals() == (1, 0, 0, 1)


def test_the_same_ruling_with_another_cause_is_no_repeat(running, drop):
    first = ruling(drop.client_id, False)
    running.write(first)
    again = ruling(drop.client_id, False, client_id=first.client_id, cause=RulingCause.TRIAL)
    running.refuse_because("already stands for a ruling line with other content", again)


def test_a_cause_changed_behind_the_application_breaks_the_chain(running, drop, session):
    running.write(ruling(drop.client_id, False))
    session.execute(
        update(Entry).where(Entry.kind == EntryKind.RULING).values(cause=RulingCause.SUPPLY)
    )
    session.commit()
    assert any("was changed after it was written" in str(found) for found in verify(session))


def test_hashes_of_lines_without_a_cause_are_those_of_before():
    facts = dict.fromkeys(PROTECTED) | {"client_id": "a", "mode_ids": []}
    # As the first version hashed: SHA-256 over the previous hash and the facts in their order.
    plain = canonical([facts[name] for name in CHAINED])
    assert entry_hash("f0", facts) == hashlib.sha256(b"f0" + plain).hexdigest()
    assert entry_hash("f0", facts | {"cause": RulingCause.SUPPLY}) != entry_hash("f0", facts)


def test_a_cause_cannot_pass_for_a_fact_of_a_tablet():
    facts = dict.fromkeys(PROTECTED) | {"mode_ids": []}
    hashes = {
        entry_hash("", facts | {name: "air, power or coolant supply"})
        for name in ("cause", "tablet_id", "tablet_number", "tablet_time", "photo")
    }
    assert len(hashes) == 5
