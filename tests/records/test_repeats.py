"""Sending a line again changes nothing; sending another one under its id is refused."""

from datetime import timedelta

import pytest
from support.cells import (
    closing,
    condition,
    failed,
    good,
    make_cell,
    note,
    opening,
    reading,
    revision,
    ruling,
    stop,
    undo,
)

from trialog.errors import ConflictError
from trialog.records.models import Entry
from trialog.records.words import Condition, Reading, Stage


@pytest.fixture
def day(running, cell, people):
    """Return a shift's lines, one of each kind, already written."""
    drop = failed("A", cell.dropped, cell.chips, person_id=people.operator.id)
    tap = good("A", 3)
    lines = [
        tap,
        drop,
        note("A", 'said "later" 🙂'),
        stop("A", 30),
        condition("A", Condition.COLD_START),
        undo(tap.client_id),
        reading("A", Reading.OPENING, 101),
        ruling(drop.client_id, relevant=False, mode=cell.chips),
        revision(cell.arm),
        closing("A", 104),
    ]
    running.write(*lines)
    return lines


def test_sending_a_whole_day_again_adds_nothing(running, day):
    before = running.head(), running.totals(), running.count(Entry)
    written = running.write(*day)
    assert (written.added, len(written.repeated)) == ((), len(day))
    assert (running.head(), running.totals(), running.count(Entry)) == before


def test_sending_each_line_again_alone_adds_nothing(running, day):
    before = running.head()
    for line in day:
        assert running.write(line).repeated == (line.client_id,)
    assert running.head() == before


def test_a_repeat_is_one_also_an_hour_later(running, day, now):
    """Lines without a time of their own get the moment they arrive, which a repeat has not."""
    written = running.write(*day, now=now + timedelta(hours=1))
    assert written.added == ()


def test_a_repeated_opening_is_one_whatever_blanks_surround_its_label(logbook):
    first = opening(" A ")
    logbook.write(first)
    assert logbook.write(first).repeated == (first.client_id,)
    assert logbook.shift("A").label == "A"


def test_new_and_repeated_lines_may_come_in_one_batch(running, day):
    tap = good("B")
    written = running.write(day[0], opening("B"), tap, day[1])
    assert written.repeated == (day[0].client_id, day[1].client_id)
    assert tap.client_id in written.added


@pytest.mark.parametrize(
    "changes",
    [
        {"cycles": 4},
        {"text": "other"},
        {"reason": "other"},
        {"cycle_number": 9},
        {"person_id": 1},
    ],
    ids=lambda changes: next(iter(changes)),
)
def test_other_content_under_a_known_id_is_refused(running, day, changes):
    running.refuse_because("with other content", day[0]._replace(**changes))


def test_the_same_line_at_another_time_is_refused(running, now):
    tap = good("A", occurred_at=now)
    running.write(tap)
    running.refuse_because("with other content", tap._replace(occurred_at=now - timedelta(hours=1)))


def test_the_same_line_with_another_mode_is_refused(running, day, cell):
    running.refuse_because("with other content", day[1]._replace(mode_ids=(cell.missed.id,)))


def test_the_same_modes_in_another_order_are_the_same_line(running, day):
    turned = day[1]._replace(mode_ids=day[1].mode_ids[::-1])
    assert running.write(turned).repeated == (turned.client_id,)


def test_the_same_opening_with_another_stage_is_refused(logbook):
    first = opening("A")
    logbook.write(first)
    logbook.refuse_because("with other content", first._replace(stage=Stage.UNATTENDED))


def test_the_same_line_for_another_shift_is_refused(running, day):
    running.write(opening("B"))
    running.refuse_because("with other content", day[0]._replace(shift="B"))


def test_the_same_line_on_another_cell_is_refused(running, day, session, now):
    other = make_cell(session, now, "Mill 2")
    session.commit()
    running.cell = other
    running.write(opening("A"))
    running.refuse_because("with other content", day[0])


def test_an_id_twice_in_one_batch_is_refused(running):
    tap = good("A")
    running.refuse_because("be given once", tap, tap)


def test_a_repeat_is_recognized_among_thousands(running):
    taps = [good("A") for _ in range(1_200)]
    running.write(*taps)
    written = running.write(*taps, good("A"))
    assert (len(written.repeated), len(written.added)) == (1_200, 1)


def test_an_undone_line_sent_again_stays_undone(running):
    tap = good("A")
    running.write(tap)
    running.write(undo(tap.client_id))
    assert running.write(tap).repeated == (tap.client_id,)
    assert running.totals() == (0, 0, 0, 0)


def test_the_conflict_names_the_id(running, day):
    error = running.refuse(day[0]._replace(cycles=9))
    assert isinstance(error, ConflictError)
    assert repr(day[0].client_id) in str(error)
