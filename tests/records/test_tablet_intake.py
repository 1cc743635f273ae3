"""What a tablet sends is written in its order, or parked: never lost, never doubled."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import select
from support.cells import closing, good, new_id, opening, undo, write

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError
from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.intake import Incoming, take_in
from trialog.records.models import AuditEvent, Cell, Entry, ParkedLine
from trialog.records.parking import count_parked, leave_out, parked_lines, write_in
from trialog.records.tablets import enrol, make_code
from trialog.records.words import EntryKind, ParkedOutcome, Stage


class Tablet:
    """A tablet that taps and sends by itself."""

    def __init__(self, session, cell, row, person, now):
        self.session, self.cell, self.row, self.person, self.now = session, cell, row, person, now
        self.numbers = itertools.count(1)

    def line(self, kind, *, shift="A", after=0, **fields):
        """Return a line tapped so many seconds after the test's moment."""
        moment = self.now + timedelta(seconds=after)
        facts = {"person_id": self.person.id, "occurred_at": moment, "tablet_time": moment}
        entry = NewEntry(
            client_id=new_id("tap"), kind=kind, shift=shift,
            tablet_id=self.row.id, tablet_number=next(self.numbers), **facts | fields,
        )  # fmt: skip
        return Incoming(entry.client_id, {"kind": kind.value, "client_id": entry.client_id}, entry)

    def open(self, shift="A", **fields):
        return self.line(EntryKind.SHIFT_OPENED, shift=shift, stage=Stage.BY_HAND, **fields)

    def good(self, cycles=1, **fields):
        return self.line(EntryKind.GOOD, cycles=cycles, **fields)

    def failed(self, *modes, **fields):
        ids = tuple(mode.id for mode in modes)
        return self.line(EntryKind.FAILED, cycles=1, mode_ids=ids, **fields)

    def undo(self, target, **fields):
        return self.line(EntryKind.UNDO, target=target.client_id, **fields)

    def send(self, *lines, after=0):
        """Send lines so many seconds after the test's moment; return what became of each."""
        moment = self.now + timedelta(seconds=after)
        with unit_of_work(self.session):
            cell = self.session.get_one(Cell, self.cell.id)
            return take_in(self.session, cell, self.row, lines, now=moment)

    def statuses(self, *lines, after=0):
        return [taken.status for taken in self.send(*lines, after=after)]


@pytest.fixture
def tablets(session, cell, people, now):
    """Return a function that enrols one more tablet."""
    numbers = itertools.count(1)

    def make(person=None):
        with unit_of_work(session):
            name = f"tablet {next(numbers)}"
            code = make_code(session, name=name, cell=None, actor=people.engineer, now=now)
            row, _key = enrol(session, code, now=now)
        return Tablet(session, cell, row, person or people.operator, now)

    return make


@pytest.fixture
def tablet(tablets):
    return tablets()


@pytest.fixture
def shown(session):
    """Return a function that gives one fact of the counted cycles, in the logbook's order."""

    def facts(name, *kinds):
        session.rollback()
        kinds = kinds or (EntryKind.GOOD, EntryKind.FAILED)
        statement = select(getattr(Entry, name)).where(Entry.kind.in_(kinds))
        return list(session.scalars(statement.order_by(Entry.sequence)))

    return facts


def parked_rows(session):
    session.rollback()
    return session.scalars(select(ParkedLine).order_by(ParkedLine.id)).all()


# ── Order ────────────────────────────────────────────────────────────────────────────────────


def test_a_tablets_lines_stand_in_its_own_order(logbook, tablet, cell, shown):
    lines = [tablet.open(), tablet.good(), tablet.failed(cell.chips), tablet.good(3)]
    assert tablet.statuses(*lines) == ["added"] * 4
    assert shown("tablet_number") == [2, 3, 4]
    assert shown("cycle_number") == [1, 2, 5]
    assert logbook.totals() == (5, 5, 1, 0)
    assert logbook.verify() == []


def test_a_batch_sent_twice_changes_nothing_and_gets_the_same_answer(logbook, tablet, cell):
    lines = [tablet.open(), tablet.good(), tablet.failed(cell.chips)]
    first = tablet.send(*lines)
    second = tablet.send(*lines, after=60)
    assert [taken.status for taken in second] == ["repeated"] * 3
    assert [(one.sequence, one.cycle_number) for one in first] == [
        (one.sequence, one.cycle_number) for one in second
    ]
    assert logbook.totals() == (2, 2, 1, 0)


def test_a_repeat_is_known_though_the_tablets_clock_was_corrected_since(tablet):
    tablet.send(tablet.open())
    tap = tablet.good(after=-30)
    tablet.send(tap)
    again = Incoming(tap.client_id, tap.raw, _moved(tap.entry, 7200))
    assert tablet.statuses(again, after=7200) == ["repeated"]


def _moved(entry, seconds):
    return replace(entry, occurred_at=entry.occurred_at + timedelta(seconds=seconds))


def test_a_cycle_that_waited_while_others_logged_has_no_known_place(tablets, cell, shown):
    here, away = tablets(), tablets()
    here.send(here.open(), here.good())
    seen = 2  # what the other tablet knows of when its network goes
    waiting = [away.failed(cell.chips, seen=seen), away.good(seen=seen)]
    here.send(*[here.good() for _ in range(5)])
    away.send(*waiting)
    here.send(here.good())
    assert shown("cycle_number") == [1, 2, 3, 4, 5, 6, None, None, 9]


def test_a_cycle_that_waited_while_nobody_else_logged_keeps_its_place(tablets, cell, shown):
    here, away = tablets(), tablets()
    here.send(here.open(), here.good())
    here.send(here.line(EntryKind.NOTE, text="coolant low"))
    away.send(away.failed(cell.chips, seen=2), away.good(seen=2))
    assert shown("cycle_number") == [1, 2, 3]


def test_a_tablets_own_lines_do_not_overtake_it(tablet, shown):
    tablet.send(tablet.open(), tablet.good())
    tablet.send(tablet.good(seen=1), tablet.good(seen=1))
    assert shown("cycle_number") == [1, 2, 3]


def test_lines_from_a_program_overtake_a_waiting_tablet(logbook, tablet, shown, now):
    tablet.send(tablet.open())
    logbook.write(good("A", 4))
    tablet.send(tablet.good(seen=1))
    assert shown("cycle_number") == [4, None]


# ── Clocks ───────────────────────────────────────────────────────────────────────────────────


def test_a_clock_that_runs_ahead_is_held_at_the_servers_now(tablet, shown, now):
    tablet.send(tablet.open())
    tablet.send(tablet.good(after=7200), after=5)
    assert shown("occurred_at") == [now + timedelta(seconds=5)]
    assert shown("tablet_time") == [now + timedelta(seconds=7200)]


def test_a_clock_that_falls_back_never_runs_before_the_tablets_last_line(tablet, shown, now):
    tablet.send(tablet.open())
    tablet.send(tablet.good(), tablet.good(after=-7200), tablet.good(after=3), after=9)
    assert shown("occurred_at") == [now, now, now + timedelta(seconds=3)]


def test_a_line_without_a_time_gets_the_servers(tablet, shown, now):
    tablet.send(tablet.open())
    tablet.send(tablet.good(occurred_at=None, tablet_time=None), after=4)
    assert shown("occurred_at") == [now + timedelta(seconds=4)]


# ── Opening and closing ──────────────────────────────────────────────────────────────────────


def test_a_second_tablet_joins_the_shift_that_a_first_one_opened(logbook, tablets):
    one, two = tablets(), tablets()
    one.send(one.open(counter=100), one.good())
    assert two.statuses(two.open(counter=100), two.good()) == ["repeated", "added"]
    assert logbook.totals() == (2, 2, 0, 0)
    assert logbook.verify() == []


def test_an_opening_with_another_reading_is_parked_and_its_cycles_are_taken(
    session, logbook, tablets
):
    one, two = tablets(), tablets()
    one.send(one.open(counter=100))
    assert two.statuses(two.open(counter=140), two.good()) == ["parked", "added"]
    [parked] = parked_rows(session)
    assert "100" in parked.why
    assert "140" in parked.why
    assert logbook.totals()[0] == 1


def test_a_shift_beside_an_open_one_is_parked_with_all_of_its_lines(session, logbook, tablets):
    one, two = tablets(), tablets()
    one.send(one.open("A"), one.good(shift="A"))
    lines = [two.open("B"), two.good(shift="B"), two.line(EntryKind.SHIFT_CLOSED, shift="B")]
    assert two.statuses(*lines) == ["parked"] * 3
    assert "only one shift of a cell can be open" in parked_rows(session)[0].why
    assert logbook.totals()[0] == 1
    assert logbook.verify() == []


def test_cycles_tapped_before_their_tablet_heard_of_the_closing_are_taken(logbook, tablets, shown):
    here, away = tablets(), tablets()
    here.send(here.open(counter=100), here.good(4))
    waiting = [away.good(seen=2), away.good(seen=2)]
    here.send(here.line(EntryKind.SHIFT_CLOSED, counter=106))
    assert away.statuses(*waiting) == ["added", "added"]
    assert logbook.totals()[0] == 6
    assert logbook.shift("A").closed_at is not None
    assert logbook.verify() == []


def test_cycles_tapped_after_their_tablet_heard_of_the_closing_are_parked(session, tablet):
    tablet.send(tablet.open(), tablet.line(EntryKind.SHIFT_CLOSED))
    assert tablet.statuses(tablet.good(seen=2), tablet.good()) == ["parked", "parked"]
    assert all("closed" in parked.why for parked in parked_rows(session))


def test_a_second_closing_is_parked_though_it_waited(session, tablets):
    here, away = tablets(), tablets()
    here.send(here.open(), here.line(EntryKind.SHIFT_CLOSED))
    assert away.statuses(away.line(EntryKind.SHIFT_CLOSED, seen=1)) == ["parked"]


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
    ("opening_reading", "logged", "reading", "words"),
    [(None, 0, 40, "opening reading"), (100, 30, 120, "cover the 30 logged cycles")],
)
def test_a_reading_that_cannot_be_right_is_parked(
    session, tablet, opening_reading, logged, reading, words
):
    tablet.send(tablet.open(counter=opening_reading))
    if logged:
        tablet.send(tablet.good(logged))
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
    sha256 = "ab" * 32
    tablet.send(tablet.open(), tap, tablet.good())
    photo = tablet.line(EntryKind.PHOTO, target=tap.client_id, photo=sha256)
    assert tablet.statuses(photo) == ["added"]
    assert logbook.entry(photo.client_id).photo == sha256
    good_one = logbook.entries()[2]
    stray = tablet.line(EntryKind.PHOTO, target=good_one.client_id, photo=sha256)
    assert tablet.statuses(stray) == ["parked"]
    assert "failed cycle" in parked_rows(session)[0].why


def test_a_photo_of_a_closed_shift_still_comes_in(tablet, cell):
    tap = tablet.failed(cell.chips)
    tablet.send(tablet.open(), tap, tablet.line(EntryKind.SHIFT_CLOSED))
    photo = tablet.line(EntryKind.PHOTO, target=tap.client_id, photo="cd" * 32)
    assert tablet.statuses(photo) == ["added"]


def test_a_photos_hash_is_part_of_the_chain(session, logbook, tablet, cell):
    tap = tablet.failed(cell.chips)
    photo = tablet.line(EntryKind.PHOTO, target=tap.client_id, photo="ab" * 32)
    tablet.send(tablet.open(), tap, photo)
    logbook.entry(photo.client_id).photo = "cd" * 32
    session.commit()
    assert any("changed after it was written" in one.what for one in logbook.verify())


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


def test_an_operator_may_not_undo_a_closing(session, tablets, people):
    tablet = tablets()
    close = tablet.line(EntryKind.SHIFT_CLOSED)
    tablet.send(tablet.open(), close)
    assert tablet.statuses(tablet.undo(close)) == ["parked"]
    tablet.person = people.engineer
    assert tablet.statuses(tablet.undo(close)) == ["added"]


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


def test_lines_from_before_tablets_keep_their_hashes(session, cell, now, logbook):
    """The chain's form for lines without a tablet is the one that older databases hold."""
    write(session, cell, opening("A", client_id="o"), good("A", client_id="g"), now=now)
    write(session, cell, closing("A", client_id="c"), undo("c", client_id="u"), now=now)
    # What the version before tablets wrote for these lines, in a cell and a shift numbered 1.
    assert [entry.hash[:16] for entry in logbook.entries()] == [
        "7539620f46c4128a", "5d445a377610ceb6", "77ffaac39371ca72", "72b63b2dbe6f74e7",
    ]  # fmt: skip
