"""What pages of trials and closed shifts say from memory is what would be said anew."""

from __future__ import annotations

from datetime import UTC, timedelta

import pytest
from sqlalchemy import select
from support.cells import closing, failed, good, opening, write
from support.hall import Hall

from trialog.evidence import note_verdicts
from trialog.languages import speaking
from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.models import Cell, Photo, Shift, Tablet, Trial
from trialog.records.words import EntryKind
from trialog.reports.kinds import context, kind_of
from trialog.reports.remembered import MOST, Memory, RememberedPages
from trialog.reports.shift_report import build_shift_report
from trialog.reports.trial_report import build_trial_report

# What is said does not depend on what keeps the records.
pytestmark = pytest.mark.database("sqlite")

PHOTO = "ab" * 32


@pytest.fixture
def hall(session, people, now):
    return Hall(session, people, now)


@pytest.fixture
def pages(session, now):
    """Return what a page is written from: from memory, and anew."""
    memory, at = RememberedPages(), {"now": now, "zone": UTC}

    def build(subject):
        make = build_trial_report if isinstance(subject, Trial) else build_shift_report
        return make(session, subject, **at)

    class Pages:
        built = 0

        def remembered(self, subject):
            def counted():
                self.built += 1
                return build(subject)

            return memory.context(session, subject, counted, **at)

        def fresh(self, subject):
            return context(build(subject))

    return Pages()


def said(found):
    """Return all that a page says, as values that can be compared."""
    charts = {
        name: (chart.title, chart.summary, chart.json) for name, chart in found["charts"].items()
    }
    return kind_of(found["report"]).as_dict(found["report"]), charts, found["tables"]


def closed_shifts_and_trials(session):
    shifts = session.scalars(select(Shift).where(Shift.closed_at.is_not(None)).order_by(Shift.id))
    return [*shifts, *session.scalars(select(Trial).order_by(Trial.id))]


def changes(hall):
    """Do what bears on a verdict, then note what came of it."""
    yield from hall.changes()
    session = hall.session
    for cell in session.scalars(select(Cell)):
        with unit_of_work(session):
            note_verdicts(session, cell, now=hall.now)
    yield "verdicts that are noted"


def test_a_page_from_memory_says_what_would_be_said_anew(hall, session, pages):
    for what in changes(hall):
        for subject in closed_shifts_and_trials(session):
            assert said(pages.remembered(subject)) == said(pages.fresh(subject)), what


def test_a_photo_that_arrives_late_shows_on_the_page_of_its_shift(hall, session, now, pages):
    cell = hall.cell("Cell 1")
    by = {"actor": hall.people.operator, "now": now}
    missed = failed("A", cell.slow)
    picture = NewEntry(
        client_id="p", kind=EntryKind.PHOTO, target=missed.client_id, photo=PHOTO, shift="A"
    )
    write(session, cell, opening("A"), good("A", 4), missed, picture, closing("A"), **by)
    (shift,) = session.scalars(select(Shift))
    before = said(pages.remembered(shift))
    with unit_of_work(session):
        session.add(Photo(sha256=PHOTO, content=b"x", media_type="image/jpeg", stored_at=now))
    assert said(pages.remembered(shift)) == said(pages.fresh(shift)) != before


def test_the_jump_of_a_tablets_clock_shows_on_the_page_of_its_shift(hall, session, now, pages):
    cell = hall.cell("Cell 1")
    tablet = Tablet(name="T1", cell_id=cell.cell.id, key_hash="0" * 64, enrolled_at=now)
    with unit_of_work(session):
        session.add(tablet)
    by = {"actor": hall.people.operator, "now": now}
    tapped = good("A", 4, tablet_id=tablet.id, tablet_number=1, tablet_time=now)
    write(session, cell, opening("A"), tapped, closing("A"), **by)
    (shift,) = session.scalars(select(Shift))
    before = said(pages.remembered(shift))
    with unit_of_work(session):
        tablet.clock_moved_at = shift.opened_at
    assert said(pages.remembered(shift)) == said(pages.fresh(shift)) != before


def test_what_has_not_changed_is_built_once_in_each_language(hall, pages):
    _, trial = hall.running("Cell 1")
    for _ in range(3):
        pages.remembered(trial)
    assert pages.built == 1
    with speaking("es"):
        assert said(pages.remembered(trial)) == said(pages.fresh(trial))
    assert pages.built == 2


def test_a_remembered_page_is_as_of_now(hall, session, now):
    _, trial = hall.running("Cell 1")
    memory = RememberedPages()
    for moment in (now, now + timedelta(hours=1)):
        found = memory.context(
            session, trial,
            lambda at=moment: build_trial_report(session, trial, now=at, zone=UTC),
            now=moment, zone=UTC,
        )  # fmt: skip
        assert found["report"].produced_at == moment


def test_an_open_shift_is_worked_out_each_time(hall, session, people, now, pages):
    cell = hall.cell("Cell 1")
    write(session, cell, opening("A"), good("A", 4), actor=people.operator, now=now)
    (shift,) = session.scalars(select(Shift))
    for _ in range(2):
        pages.remembered(shift)
    assert pages.built == 2


def test_a_memory_that_is_full_begins_again():
    memory = Memory()
    for place in range(3 * MOST):
        assert memory.recall(place, "same", lambda place=place: place) == place
    assert len(memory._kept) <= MOST
