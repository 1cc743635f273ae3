"""Who logs, and what becomes of lines when people, tablets or shifts change meanwhile."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from playwright.sync_api import expect
from sqlalchemy import select
from support.reading import CYCLES, kinds_of, logbook

from trialog.records.database import unit_of_work
from trialog.records.models import ParkedLine, Tablet
from trialog.records.tablets import revoke
from trialog.records.verify import verify

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


def hand_over(tablet, person):
    tablet.page.locator("#hand-over").tap()
    tablet.page.locator(f"#people [data-person='{person.id}']").tap()
    expect(tablet.page.locator("#who")).to_have_text(person.name)


def test_handing_over_takes_two_taps_loses_nothing_and_each_line_keeps_its_person(
    board, session, people
):
    board.page.locator("#hand-over").tap()
    board.sign_in(people.engineer, people.pin(people.engineer))
    board.await_board()
    board.page.context.set_offline(True)
    board.tap_good()
    board.await_logged(1)
    hand_over(board, people.operator)
    board.fail("slow return")
    board.await_logged(2)
    hand_over(board, people.engineer)
    board.tap_good()
    board.await_logged(3)
    board.page.context.set_offline(False)
    board.await_saved()
    wanted = [people.engineer.id, people.operator.id, people.engineer.id]
    entries = logbook(session, *CYCLES)
    assert [entry.person_id for entry in entries] == wanted
    assert [entry.recorded_by_id for entry in entries] == wanted


def test_who_signs_out_is_asked_for_the_pin_again(board, people):
    board.open_more("tablet")
    expect(board.page.locator("#tablet-leave")).to_contain_text("Sign Olga Operator out here")
    board.page.locator("#tablet-leave").tap()
    expect(board.page.locator("#screen-people")).to_be_visible()
    board.sign_in(people.operator, people.pin(people.operator))
    assert board.await_board() == 0


def test_a_line_that_the_logbook_does_not_take_is_shown_with_the_reason_and_kept(
    tablet_on, session, people
):
    """Two tablets open the same shift, one of them out of reach and with another reading."""
    late, first = tablet_on(), tablet_on(person=people.engineer)
    late.page.context.set_offline(True)
    late.open_shift(counter=500)
    first.open_shift(counter=510)
    first.tap_good()
    first.await_logged(1)
    first.await_saved()
    late.tap_good()
    late.await_logged(1)
    late.page.context.set_offline(False)
    late.await_settled("unsent")
    line = late.page.locator("#parked-lines li")
    expect(line).to_contain_text("opened")
    expect(line).to_contain_text("with counter reading 510")
    expect(late.page.locator("#saved-words")).to_have_text("1 parked")
    late.page.locator("#unsent-seen").tap()
    late.await_saved()
    late.await_logged(2)
    session.rollback()
    (parked,) = session.scalars(select(ParkedLine)).all()
    assert (parked.line["kind"], parked.line["counter"], parked.outcome) == ("open", 500, None)
    assert kinds_of(session) == ["open", "good", "good"]
    assert verify(session) == []


def test_a_revoked_tablet_sends_what_it_kept_once_it_is_enrolled_again(
    board, session, people, code_for
):
    board.tap_good()
    board.await_logged(1)
    board.await_saved()
    with unit_of_work(session):
        (old,) = session.scalars(select(Tablet)).all()
        revoke(session, old, actor=people.engineer, now=datetime.now(UTC))
    board.tap_good()
    board.await_settled("halt")
    expect(board.page.locator("#halt-words")).to_contain_text("Nothing is lost")
    board.page.locator("#halt-stay").tap()
    board.tap_good()
    board.await_logged(3)
    expect(board.page.locator("#saved-words")).to_have_text("2 not yet saved")
    board.enrol(code_for())
    assert board.await_board() == 3
    board.await_saved()
    entries = logbook(session, "good")
    assert [entry.cycle_number for entry in entries] == [1, 2, 3]
    assert entries[0].tablet_id != entries[1].tablet_id == entries[2].tablet_id


def test_a_note_is_kept_as_it_was_typed(board, session):
    text = "<script>alert(1)</script> & “quotes” 🙂"
    board.note(text)
    expect(board.page.locator("#last")).to_contain_text("Last: note “<script>alert(1)</script>")
    board.await_saved()
    assert [entry.text for entry in logbook(session, "note")] == [text]


@pytest.mark.parametrize(
    "word", ["cold start", "new material lot", "tool change", "other operator"]
)
def test_a_condition_is_written_with_the_lot_where_there_is_a_new_one(board, session, word):
    board.page.locator("#screen-board .condition").tap()
    board.page.fill("#lot", "coil 7")
    board.page.locator(f'[data-condition="{word}"]').tap()
    expect(board.page.locator("#last")).to_contain_text(f"Last: {word}")
    board.await_saved()
    (line,) = logbook(session, "condition")
    lot = "coil 7" if word == "new material lot" else ""
    assert (str(line.condition), line.text) == (word, lot)
