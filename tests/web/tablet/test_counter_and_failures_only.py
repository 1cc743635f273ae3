"""The machine counter: what nobody tapped, and counting the failures only."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect
from support.reading import kinds_of, logbook, only_shift

from trialog.records.words import EntryKind

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


def count_failures_only(board):
    board.open_more("tablet")
    board.page.tap("#sheet-tablet [data-counting=failures]")
    board.page.tap("#sheet-tablet [data-close]")
    expect(board.page.locator("#reading")).to_be_visible()


def read_counter(board, reading):
    board.type_digits("counter", reading)
    board.page.locator("#counter-log").tap()


def test_a_reading_in_between_logs_what_nobody_tapped(board, session):
    board.tap_good()
    board.open_more("counter")
    board.type_digits("counter", 504)
    expect(board.page.locator("#counter-words")).to_contain_text("3 cycles were counted")
    board.page.locator("#counter-log").tap()
    board.await_logged(4)
    board.await_saved()
    first, second = logbook(session, EntryKind.GOOD)
    assert (first.cycles, second.cycles, second.counter) == (1, 3, 504)


def test_a_reading_below_the_count_says_so_and_logs_nothing(board):
    for _ in range(3):
        board.tap_good()
    board.await_logged(3)
    board.open_more("counter")
    board.type_digits("counter", 501)
    expect(board.page.locator("#counter-words")).to_contain_text("2 cycles fewer")
    expect(board.page.locator("#counter-log")).to_be_disabled()


def test_with_failures_only_the_counter_takes_the_place_of_the_good_cycle(board, session):
    count_failures_only(board)
    expect(board.page.locator("#good")).to_be_hidden()
    board.fail("slow return")
    expect(board.page.locator("#reading-failed")).to_have_text("1")
    board.page.locator("#reading").tap()
    read_counter(board, 510)
    expect(board.page.locator("#reading-logged")).to_have_text("10")
    board.await_saved()
    (failed,) = logbook(session, EntryKind.FAILED)
    (good,) = logbook(session, EntryKind.GOOD)
    assert (failed.cycle_number, good.cycles) == (None, 9)


def test_with_failures_only_running_again_ends_the_stop(board, session):
    count_failures_only(board)
    board.fail("dropped part")
    expect(board.page.locator("#again")).to_be_visible()
    board.page.locator("#again").tap()
    expect(board.page.locator("#reading")).to_be_visible()
    expect(board.page.locator("#reading-last")).to_contain_text("to clear")
    board.await_saved()
    assert len(logbook(session, EntryKind.STOP)) == 1
    assert logbook(session, EntryKind.GOOD) == []


def test_with_failures_only_the_closing_reading_logs_the_good_cycles_first(board, session):
    count_failures_only(board)
    board.open_more("close")
    board.type_digits("close", 520)
    expect(board.page.locator("#close-words")).to_contain_text("20 good cycles will be logged")
    board.page.locator("#close-send").tap()
    expect(board.page.locator("#halt-words")).to_contain_text("20 cycles logged")
    expect(board.page.locator("#halt-words")).to_contain_text("saved on the server")
    good, closing = logbook(session, EntryKind.GOOD, EntryKind.SHIFT_CLOSED)
    assert (good.cycles, closing.counter) == (20, 520)


def test_failures_only_needs_an_opening_reading(tablet_on):
    tablet = tablet_on()
    tablet.page.locator("#open-details").tap()
    tablet.page.locator("#sheet-open [data-counting=failures]").tap()
    tablet.page.locator("#sheet-open [data-close]").tap()
    expect(tablet.page.locator("#open-go")).to_be_disabled()
    expect(tablet.page.locator("#open-problem")).to_contain_text("needs an opening reading")


def test_a_shift_of_failures_only_agrees_with_its_counter_in_the_report(board, session, operator):
    count_failures_only(board)
    board.fail("slow return")
    expect(board.page.locator("#reading-failed")).to_have_text("1")
    board.close_shift(counter=520)
    board.await_saved()
    assert kinds_of(session) == ["open", "failed", "good", "close"]
    (failed,) = logbook(session, EntryKind.FAILED)
    (good,) = logbook(session, EntryKind.GOOD)
    assert (failed.cycle_number, good.cycles, good.counter) == (None, 19, 520)
    report = operator.get(f"/shifts/{only_shift(session).id}").text
    assert "The machine counted 20 cycles" in report
    assert "they agree" in report
