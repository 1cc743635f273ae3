"""Several tablets write at once: none of their lines is lost, none is doubled."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from sqlalchemy import select
from support.cells import closing, good, make_cell, opening, undo, write

from trialog.errors import ConflictError, TrialogError
from trialog.records.database import unit_of_work
from trialog.records.logbook import write_entries
from trialog.records.models import Cell, Shift

THREADS = 8


@pytest.fixture
def tablets(sessions, now, cell):
    """Return a function that writes each of some lists of entries from a thread of its own.

    Each entry is a write of its own; the answers come back in the same lists, an error in
    place of what was written.
    """
    cell_id = cell.id

    def write_all(*jobs):
        barrier = Barrier(len(jobs))

        def work(entries):
            with sessions() as session:
                barrier.wait(timeout=30)
                return [outcome(session, cell_id, entry, now) for entry in entries]

        with ThreadPoolExecutor(len(jobs)) as pool:
            return list(pool.map(work, jobs))

    return write_all


def outcome(session, cell_id, entry, now):
    try:
        return write(session, session.get_one(Cell, cell_id), entry, now=now)
    except TrialogError as error:
        return error


def test_one_tap_sent_by_eight_threads_is_one_line(running, tablets):
    tap = good("A")
    answers = tablets(*[[tap]] * THREADS)
    written = [answer.added + answer.repeated for [answer] in answers]
    assert written == [(tap.client_id,)] * THREADS
    assert sum(len(answer.added) for [answer] in answers) == 1
    assert running.totals() == (1, 1, 0, 0)


def test_two_tablets_in_one_shift_lose_and_double_nothing(running, tablets):
    jobs = [[good("A") for _ in range(40)] for _ in range(2)]
    tablets(*jobs)
    sent = {tap.client_id for taps in jobs for tap in taps}
    assert {entry.client_id for entry in running.entries()[1:]} == sent
    assert running.totals() == (80, 80, 0, 0)
    assert [entry.cycle_number for entry in running.entries()[1:]] == list(range(1, 81))
    assert running.verify() == []


def test_two_tablets_that_both_send_everything_leave_each_tap_once(running, tablets):
    taps = [good("A") for _ in range(30)]
    tablets(taps, taps[::-1])
    assert running.totals() == (30, 30, 0, 0)
    assert running.verify() == []


def test_one_of_two_tablets_opens_the_shift(logbook, tablets):
    answers = [answer for [answer] in tablets([opening("A")], [opening("B")])]
    assert sorted(isinstance(answer, ConflictError) for answer in answers) == [False, True]
    assert len(logbook.entries()) == 1


def test_one_of_two_tablets_closes_the_shift(running, tablets):
    answers = [answer for [answer] in tablets([closing("A", 100)], [closing("A", 100)])]
    assert sum(isinstance(answer, TrialogError) for answer in answers) == 1
    assert running.verify() == []


@pytest.mark.database("postgresql")  # SQLite's write lock is taken before anything is read
def test_a_shift_read_before_another_tablet_closed_it_is_written_right(
    sessions, running, now, cell
):
    close = closing("A", 100)
    with sessions() as slow, unit_of_work(slow):
        own, shift = slow.get_one(Cell, cell.id), slow.scalars(select(Shift)).one()
        assert shift.closed_at is None
        running.write(close)
        write_entries(slow, own, [undo(close.client_id)], actor=None, now=now)
    running.session.rollback()
    assert running.shift("A").closed_at is None
    assert running.verify() == []


def test_two_cells_keep_their_chains_apart(running, session, sessions, now):
    cells = [running.cell.id, make_cell(session, now, "Mill 2").id]
    session.commit()
    write(session, session.get_one(Cell, cells[1]), opening("A"), now=now)

    def tap_ten_times(cell_id):
        with sessions() as own:
            for _ in range(10):
                write(own, own.get_one(Cell, cell_id), good("A"), now=now)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(tap_ten_times, cells))
    assert running.verify() == []
    lengths = session.scalars(select(Cell.chain_length).order_by(Cell.id))
    assert lengths.all() == [11, 11]
