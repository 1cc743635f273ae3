"""What is read of a shift's end, without its lines, is what all of its lines make of it."""

from __future__ import annotations

import random

import pytest
from sqlalchemy import select
from support.cells import closing, failed, good, opening, reading, stop, undo

from trialog.records.models import Cell, Shift
from trialog.records.shift_ends import end_of, read_end
from trialog.records.shiftlog import read_log
from trialog.records.words import EntryKind, Reading

STEPS = 40


class Writer:
    """Writes a shift of lines of which some have no known place, and some are undone again."""

    def __init__(self, logbook, cell, seed):
        self.logbook, self.cell, self.chance = logbook, cell, random.Random(seed)
        self.written = []

    def write(self, line):
        self.logbook.write(line)
        self.written.append(line)

    def step(self):
        kinds = ("good", "tray", "unplaced", "failed", "stop", "undo")
        kind = self.chance.choices(kinds, (5, 2, 2, 2, 1, 3))[0]
        if kind == "undo":
            standing = [
                line for line in self.written if line.kind in (EntryKind.GOOD, EntryKind.FAILED)
            ]
            if standing:
                line = self.chance.choice(standing)
                self.written.remove(line)
                self.logbook.write(undo(line.client_id))
            return
        self.write(self._line(kind))

    def _line(self, kind):
        if kind == "failed":
            return failed("A", self.cell.dropped, self.cell.chips)
        if kind == "stop":
            return stop("A")
        cycles = 1 if kind == "good" else self.chance.randint(2, 30)
        return good("A", cycles, order_known=kind != "unplaced")


def both(session, cell):
    """Return a shift's end as read without its lines, and as all of its lines have it."""
    session.rollback()
    shift = session.scalars(select(Shift)).one()
    stored = session.get_one(Cell, cell.id)
    return read_end(session, shift, stored.counter_modulus), read_log(session, shift, stored), shift


@pytest.mark.parametrize("seed", range(2))
def test_the_end_of_a_shift_is_what_its_lines_say(logbook, session, cell, seed):
    writer = Writer(logbook, cell, seed)
    writer.write(opening("A", counter=100))
    for _ in range(STEPS):
        writer.step()
        end, log, shift = both(session, cell)
        assert (end.logged, end.last_number) == (log.logged, log.last_number)
        assert end_of(session, shift.id).failed == sum(
            line.kind is EntryKind.FAILED for line in log.standing()
        )
    assert logbook.verify() == []


def test_the_end_of_a_shift_knows_its_readings_and_its_closing(logbook, session, cell):
    logbook.write(opening("A", counter=100))
    logbook.write(good("A", 4))
    logbook.write(reading("A", Reading.OPENING, 90))
    first, second = closing("A", counter=94), closing("A", counter=95)
    for line in (first, undo(first.client_id), second):
        logbook.write(line)
    end, log, _ = both(session, cell)
    assert end.facts() == log.facts()
    assert end.closing.client_id == log.closing.client_id == second.client_id


def test_lines_that_only_come_on_top_are_added_up_like_all(logbook, session, cell):
    logbook.write(opening("A"))
    logbook.write(good("A", 3))
    logbook.write(
        failed("A", cell.slow), good("A"), failed("A", cell.dropped, cell.slow), good("A")
    )
    logbook.write(good("A", 2), failed("A", cell.missed))
    assert logbook.verify() == []
    end, log, _ = both(session, cell)
    assert (end.logged, end.last_number) == (log.logged, log.last_number) == (10, 10)
