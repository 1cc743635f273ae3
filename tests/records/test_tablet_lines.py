"""What only tablets write: cycles by the counter, spot checks, photos."""

from __future__ import annotations

import pytest
from support.cells import closing, good, opening, undo, write
from support.intake import parked_rows

from trialog.records.words import EntryKind

# ── Counting by the machine counter ──────────────────────────────────────────────────────────


def test_a_reading_makes_the_cycles_that_nobody_logged_good_ones(logbook, tablet, cell, shown):
    tablet.send(tablet.open(counter=500))
    tablet.send(tablet.failed(cell.chips, order_known=False))
    tablet.send(tablet.good(cycles=None, counter=540))
    assert shown("cycles") == [1, 39]
    assert shown("cycle_number") == [None, None]
    assert logbook.totals() == (40, 40, 1, 0)
    assert logbook.verify() == []


def test_a_reading_sent_twice_counts_once(logbook, tablet):
    tablet.send(tablet.open(counter=500))
    reading = tablet.good(cycles=None, counter=540)
    assert tablet.statuses(reading) == ["added"]
    assert tablet.statuses(reading) == ["repeated"]
    assert logbook.totals()[0] == 40


def test_a_reading_that_agrees_adds_nothing_and_is_kept(logbook, tablet, shown):
    tablet.send(tablet.open(counter=500), tablet.good(40))
    tablet.send(tablet.good(cycles=None, counter=540))
    assert shown("cycles") == [40, None]
    assert shown("counter") == [None, 540]
    assert logbook.totals() == (40, 40, 0, 0)
    assert logbook.verify() == []


def test_a_reading_over_a_counter_that_restarted_counts_on(logbook, tablet):
    tablet.send(tablet.open(counter=9_990))  # restarts after 10,000
    tablet.send(tablet.good(cycles=None, counter=15))
    assert logbook.totals()[0] == 25


def test_a_late_failure_is_made_up_for_by_the_next_reading(logbook, tablets, cell):
    here, away = tablets(), tablets()
    here.send(here.open(counter=0))
    missed = away.failed(cell.chips, order_known=False, seen=1)
    here.send(here.good(cycles=None, counter=100))
    away.send(missed)
    here.send(here.good(cycles=None, counter=200))
    assert logbook.totals() == (200, 200, 1, 0)


@pytest.mark.parametrize(
    ("opening_reading", "reading", "words"),
    [(None, 140, "opening reading"), (100, 120, "cover the 30 logged cycles")],
)
def test_a_reading_that_cannot_be_right_is_parked(session, tablet, opening_reading, reading, words):
    tablet.send(tablet.open(counter=opening_reading), tablet.good(30))
    assert tablet.statuses(tablet.good(cycles=None, counter=reading)) == ["parked"]
    assert words in parked_rows(session)[0].why


# ── Spot checks and photos ───────────────────────────────────────────────────────────────────


def test_a_spot_check_is_kept_and_never_counted(logbook, tablet, cell, shown):
    tablet.send(tablet.open(), tablet.good(5))
    tablet.send(
        tablet.line(EntryKind.CHECK, cycles=4),
        tablet.line(EntryKind.CHECK, cycles=1, mode_ids=(cell.chips.id,), cycle_number=5),
        tablet.good(),
    )
    assert shown("cycle_number", EntryKind.CHECK) == [None, 5]
    assert shown("cycle_number") == [5, 6]
    assert logbook.totals() == (6, 6, 0, 0)
    assert logbook.verify() == []


def test_a_photo_belongs_to_a_failed_cycle(session, logbook, tablet, cell):
    tap = tablet.failed(cell.chips)
    good_one = tablet.good()
    tablet.send(tablet.open(), tap, good_one)
    photo = tablet.photo(tap)
    assert tablet.statuses(photo) == ["added"]
    assert logbook.entry(photo.client_id).photo == photo.entry.photo
    assert logbook.verify() == []
    assert tablet.statuses(tablet.photo(good_one)) == ["parked"]
    assert "failed cycle" in parked_rows(session)[0].why


def test_a_photo_that_never_arrived_is_not_taken_for_one(session, logbook, tablet, cell):
    tap = tablet.failed(cell.chips)
    lost = tablet.line(EntryKind.PHOTO, target=tap.client_id, photo="cd" * 32)
    assert tablet.statuses(tablet.open(), tap, lost) == ["added", "added", "parked"]
    assert "photo must have arrived before its line" in parked_rows(session)[0].why
    assert logbook.verify() == []


def test_a_photo_of_a_closed_shift_still_comes_in(tablet, cell):
    tap = tablet.failed(cell.chips)
    tablet.send(tablet.open(), tap, tablet.line(EntryKind.SHIFT_CLOSED))
    assert tablet.statuses(tablet.photo(tap)) == ["added"]


def test_a_photos_hash_is_part_of_the_chain(session, logbook, tablet, cell):
    tap = tablet.failed(cell.chips)
    photo = tablet.photo(tap)
    tablet.send(tablet.open(), tap, photo)
    logbook.entry(photo.client_id).photo = "cd" * 32
    session.commit()
    assert any("changed after it was written" in one.what for one in logbook.verify())


def test_lines_from_before_tablets_keep_their_hashes(session, cell, now, logbook):
    """The chain's form for lines without a tablet is the one that older databases hold."""
    write(session, cell, opening("A", client_id="o"), good("A", client_id="g"), now=now)
    write(session, cell, closing("A", client_id="c"), undo("c", client_id="u"), now=now)
    # What the version before tablets wrote for these lines, in a cell and a shift numbered 1.
    assert [entry.hash[:16] for entry in logbook.entries()] == [
        "7539620f46c4128a", "5d445a377610ceb6", "77ffaac39371ca72", "72b63b2dbe6f74e7",
    ]  # fmt: skip
