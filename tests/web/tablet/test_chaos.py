"""A whole shift of taps under everything that goes wrong in a shop: the logbook equals the taps.

Nothing here is faked but the tablet's clock: a real server process that is killed, a real browser
that is killed, a network that loses requests and answers and delivers each batch twice.
"""

from __future__ import annotations

import itertools

import pytest
from sqlalchemy import select
from support.chaos import ChaoticShift, standing
from support.emulated_shift import make_shift
from support.tablet_page import MODES

from trialog.records.models import Entry, Shift
from trialog.records.verify import verify
from trialog.records.words import EntryKind

# What befalls a shift lies between the tablet and the server; what each database keeps when its
# server is killed, records/test_sudden_death.py asks of both.
pytestmark = pytest.mark.database("sqlite")

SEED = 20260302
OPENING_COUNTER = 4_800


@pytest.fixture
def lived(killable_server, proxy, kept_browser, begin_tablet):
    """Return a shift that was tapped through all its troubles, and the tablet that did it."""
    tablet = begin_tablet(kept_browser.start(), proxy.url)
    tablet.open_shift(counter=OPENING_COUNTER)
    proxy.twice = True
    chaos = ChaoticShift(
        make_shift(SEED, MODES), tablet, kept_browser, killable_server, proxy, seed=SEED
    )
    chaos.run()
    killable_server.await_answers()
    tablet.await_saved()
    return chaos, tablet


def test_the_logbook_equals_the_taps_whatever_befell_the_tablet(lived, session, kept_browser):
    chaos, tablet = lived
    befell = [trouble.partition(": ")[2].strip() for trouble in chaos.happened]
    assert len(chaos.acknowledged) >= 480
    assert sum(trouble.startswith("cut") for trouble in befell) == 40
    assert [befell.count(name) for name in ("reload", "kill the browser", "kill the server")] == [
        5, 3, 2,
    ]  # fmt: skip
    assert tablet.logged() == chaos.cycles
    assert tablet.failed() == sum(tap.kind == "failed" for tap in standing(chaos.acknowledged))
    assert tablet.expected_counter() == OPENING_COUNTER + chaos.cycles
    tablet.close_shift(counter=OPENING_COUNTER + chaos.cycles)
    tablet.await_saved()

    session.rollback()  # what was read before the shift is old by now
    entries = session.scalars(select(Entry).order_by(Entry.sequence)).all()
    opening, *logged, closing = entries
    assert (opening.kind, closing.kind) == (EntryKind.SHIFT_OPENED, EntryKind.SHIFT_CLOSED)
    assert as_taps(logged) == [as_logged(tap, chaos.acknowledged) for tap in chaos.acknowledged]
    assert_in_order(entries)
    shift = session.scalars(select(Shift)).one()
    assert shift.closing_counter == OPENING_COUNTER + chaos.cycles
    assert verify(session) == []
    assert kept_browser.complaints == []


def as_taps(entries):
    """Return what was meant by each entry: kind, cycles, modes, text, and the place it undoes."""
    place = {entry.client_id: at for at, entry in enumerate(entries)}
    assert len(place) == len(entries)
    return [
        (
            str(entry.kind),
            entry.cycles or 0,
            tuple(sorted(mode.name for mode in entry.modes)),
            entry.text or "",
            place.get(entry.target) if entry.kind == EntryKind.UNDO else None,
        )
        for entry in entries
    ]


def as_logged(tap, taps):
    undone = next(at for at, one in enumerate(taps) if one is tap.undoes) if tap.undoes else None
    return (tap.kind, tap.cycles, tap.modes, tap.text, undone)


def assert_in_order(entries):
    """The tablet's numbers, the logbook's and the cycles' run the same way, and no time back."""
    numbers = [entry.tablet_number for entry in entries]
    assert numbers == sorted(set(numbers))
    for one, other in itertools.pairwise(entries):
        assert one.occurred_at <= other.occurred_at, (one.sequence, other.sequence)
    late = [e.sequence for e in entries if e.occurred_at > e.recorded_at]
    assert late == []
    undone = {entry.target for entry in entries if entry.kind == EntryKind.UNDO}
    cycles = [entry for entry in entries if entry.cycles and entry.client_id not in undone]
    numbers = itertools.accumulate(entry.cycles for entry in cycles)
    assert [entry.cycle_number for entry in cycles] == list(numbers), "one tablet: all are known"
