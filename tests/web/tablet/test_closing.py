"""Closing a shift: the reading of the machine counter, and what is odd about it."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect
from support.reading import kinds_of, logbook, only_shift
from support.tablet_page import SLOW_DISK

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


def begin_closing(tablet, reading=None):
    tablet.open_more("close")
    if reading is not None:
        tablet.type_digits("close", reading)


def send(tablet):
    tablet.page.locator("#close-send").tap()


def await_closed(tablet):
    expect(tablet.page.locator("#halt-title")).to_contain_text("is closed")
    tablet.await_saved()


@pytest.fixture
def three_logged(board):
    for _ in range(3):
        board.tap_good()
    board.await_logged(3)
    return board


@pytest.fixture
def doubt(board):
    return board.page.locator("#doubt-words")


def test_the_page_says_what_the_counter_should_read_and_how_many_nobody_logged(
    three_logged, session
):
    words = three_logged.page.locator("#close-words")
    begin_closing(three_logged)
    expect(words).to_have_text("With 3 cycles logged it should read 503.")
    three_logged.type_digits("close", 503)
    expect(words).to_contain_text("It does.")
    three_logged.page.locator("#sheet-close [data-digit=back]").tap()
    three_logged.type_digits("close", 5)
    expect(words).to_contain_text("That is 2 cycles nobody logged.")
    send(three_logged)
    await_closed(three_logged)
    assert only_shift(session).closing_counter == 505
    assert kinds_of(session) == ["open", "good", "good", "good", "close"]


def test_a_glove_that_bounces_on_a_slow_disk_closes_once(three_logged, session):
    three_logged.await_saved()
    begin_closing(three_logged, 503)
    three_logged.page.evaluate(SLOW_DISK)
    send(three_logged)
    send(three_logged)
    three_logged.page.evaluate("() => window.turnDisk()")
    await_closed(three_logged)
    assert kinds_of(session) == ["open", "good", "good", "good", "close"]


def test_a_closed_shift_says_its_counts_and_leads_to_the_next(three_logged, session):
    three_logged.fail("chips left")
    three_logged.close_shift(counter=504)
    page = three_logged.page
    expect(page.locator("#halt-words")).to_have_text(
        "4 cycles logged, 1 of them failed. Everything is saved on the server."
    )
    page.locator("#halt-go").tap()
    expect(page.locator("#open-previous")).to_contain_text("504")
    page.locator("#open-previous").tap()
    page.locator("#open-go").tap()
    three_logged.await_board()
    three_logged.await_saved()
    first, second = (entry.shift for entry in logbook(session, "open"))
    assert (first.closing_counter, second.opening_counter) == (504, 504)
    assert first.label != second.label


def test_more_logged_than_counted_asks_for_the_reason(three_logged, session, doubt):
    begin_closing(three_logged, 501)
    expect(three_logged.page.locator("#close-words")).to_contain_text("2 cycles fewer than logged")
    send(three_logged)
    expect(doubt).to_contain_text("3 cycles are logged, but the machine counted 1.")
    three_logged.page.locator("#doubt-send").tap()  # without a reason nothing happens
    expect(three_logged.page.locator("#sheet-doubt")).to_be_visible()
    three_logged.page.fill("#doubt-reason", "two dry runs")
    three_logged.page.locator("#doubt-send").tap()
    await_closed(three_logged)
    (closing,) = logbook(session, "close")
    assert (closing.counter, closing.reason) == (501, "two dry runs")


def test_a_misread_counter_can_be_read_again(three_logged, session, doubt):
    begin_closing(three_logged, 501)
    send(three_logged)
    expect(doubt).to_be_visible()
    three_logged.page.locator("#doubt-back").tap()
    three_logged.type_digits("close", 503)
    send(three_logged)
    await_closed(three_logged)
    (closing,) = logbook(session, "close")
    assert (closing.counter, closing.reason) == (503, "")


@pytest.mark.parametrize("event", ["rolled over", "reset"])
def test_a_reading_below_the_first_asks_what_happened(board, session, doubt, event):
    board.tap_good()
    board.await_logged(1)
    begin_closing(board, 7)
    send(board)
    expect(doubt).to_contain_text("7 is less than at the start (500).")
    board.page.locator(f'[data-event="{event}"]').tap()
    await_closed(board)
    shift = only_shift(session)
    assert (str(shift.counter_event), shift.closing_counter) == (event, 7)


def test_a_counter_that_rolls_over_is_no_surprise_where_it_is_near_its_end(tablet_on, session):
    tablet = tablet_on()
    tablet.open_shift(counter=9_998)
    tablet.bulk(5)
    tablet.await_logged(5)
    begin_closing(tablet, 3)
    expect(tablet.page.locator("#close-words")).to_have_text(
        "With 5 cycles logged it should read 3. It does."
    )
    send(tablet)
    tablet.page.locator('[data-event="rolled over"]').tap()
    await_closed(tablet)
    assert str(only_shift(session).counter_event) == "rolled over"


def test_a_shift_closes_without_a_reading_after_a_warning(board, session, doubt):
    begin_closing(board)
    expect(board.page.locator("#close-send")).to_have_text("Close without a reading")
    send(board)
    expect(doubt).to_contain_text("a GO is impossible")
    board.page.locator("#doubt-send").tap()
    await_closed(board)
    shift = only_shift(session)
    assert (shift.closing_counter, shift.closed_at is None) == (None, False)


def test_a_shift_without_an_opening_reading_says_that_nothing_can_be_compared(tablet_on, session):
    tablet = tablet_on()
    tablet.open_shift()
    tablet.tap_good()
    expect(tablet.page.locator("#counter")).to_have_text("No opening reading: a GO is impossible")
    begin_closing(tablet, 900)
    expect(tablet.page.locator("#close-words")).to_contain_text("no opening reading")
    send(tablet)
    await_closed(tablet)
    shift = only_shift(session)
    assert (shift.opening_counter, shift.closing_counter) == (None, 900)
