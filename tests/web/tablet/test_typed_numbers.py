"""Numbers typed with gloves on: good cycles in bulk, and the clear time of a stop."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect
from support.reading import kinds_of, logbook

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


def typed(tablet, sheet):
    return tablet.page.locator(f"#sheet-{sheet} .typed")


def test_good_cycles_in_bulk(board, session):
    page = board.page
    page.locator("#screen-board .bulk").tap()
    expect(page.locator("#bulk-log")).to_be_disabled()
    board.type_digits("bulk", 12)
    expect(page.locator("#bulk-log")).to_have_text("Log 12 good cycles")
    expect(page.locator("#bulk-words")).to_contain_text("Cycles 1 to 12")
    page.locator("#bulk-log").tap()
    expect(page.locator("#last")).to_have_text("Last: 12 good cycles, 1 to 12")
    board.await_saved()
    (entry,) = logbook(session, "good")
    assert (entry.cycles, entry.cycle_number) == (12, 12)


def test_more_than_200_at_once_is_asked_about_again(board, session):
    page = board.page
    page.locator("#screen-board .bulk").tap()
    board.type_digits("bulk", 201)
    page.locator("#bulk-log").tap()
    expect(page.locator("#bulk-words")).to_have_text("201 at once is a lot. Is it right?")
    assert board.logged() == 0
    page.locator("#bulk-log").tap()
    board.await_logged(201)
    board.await_saved()
    assert [entry.cycles for entry in logbook(session, "good")] == [201]


def test_another_number_after_the_question_is_asked_about_anew(board, session):
    page = board.page
    page.locator("#screen-board .bulk").tap()
    board.type_digits("bulk", 201)
    page.locator("#bulk-log").tap()
    board.type_digits("bulk", 0)
    page.locator("#bulk-log").tap()
    expect(page.locator("#bulk-words")).to_have_text("2,010 at once is a lot. Is it right?")
    page.locator("#sheet-bulk [data-close]").tap()
    board.bulk(200)
    board.await_logged(200)
    board.await_saved()
    assert [entry.cycles for entry in logbook(session, "good")] == [200]


def test_a_typed_number_has_a_sane_end(board):
    board.page.locator("#screen-board .bulk").tap()
    board.type_digits("bulk", "0987654")
    expect(typed(board, "bulk")).to_have_text("9,876")
    board.page.locator("#sheet-bulk [data-digit=back]").tap()
    expect(typed(board, "bulk")).to_have_text("987")
    board.page.locator("#sheet-bulk [data-digit=clear]").tap()
    expect(board.page.locator("#bulk-log")).to_be_disabled()


def test_the_keyboard_types_into_the_sheet_that_is_open_and_nowhere_else(board):
    board.page.locator("#screen-board .bulk").tap()
    board.page.keyboard.type("120")
    board.page.keyboard.press("Backspace")
    expect(typed(board, "bulk")).to_have_text("12")
    board.page.keyboard.press("Escape")
    board.open_more("close")
    expect(typed(board, "close")).to_have_text("0")


def test_a_stop_with_typed_minutes_and_seconds(board, session):
    board.open_more("stop")
    board.type_digits("stop", 205)
    expect(typed(board, "stop")).to_have_text("2:05")
    board.page.locator("#stop-log").tap()
    expect(board.page.locator("#last")).to_have_text("Last: stop, 2:05 to clear")
    board.await_saved()
    assert [entry.clear_seconds for entry in logbook(session, "stop")] == [125]


def test_a_typed_clear_time_takes_the_place_of_the_clock(board, session):
    board.fail("dropped part")
    expect(board.page.locator("#stopped")).to_be_visible()
    board.open_more("stop")
    board.type_digits("stop", 300)
    board.page.locator("#stop-log").tap()
    expect(board.page.locator("#stopped")).to_be_hidden()
    board.tap_good()
    board.await_logged(2)
    board.await_saved()
    assert kinds_of(session) == ["open", "failed", "stop", "good"]
    assert [entry.clear_seconds for entry in logbook(session, "stop")] == [180]


def test_a_stops_clock_runs_on_while_a_nuisance_is_logged_and_after_a_reload(board, session):
    page = board.page
    board.open_more("stop")
    page.locator("#stop-clock").tap()
    page.locator("#sheet-stop [data-close]").tap()
    board.fail("slow return")
    board.await_logged(1)
    board.await_saved()
    board.reload()
    board.await_board()
    page.locator("#more").tap()
    expect(page.locator("#menu-stop")).to_have_text(re.compile(r"Stop: \d:\d\d so far"))
    page.locator("#sheet-more [data-sheet=stop]").tap()
    page.locator("#stop-log").tap()
    expect(page.locator("#last")).to_have_text(re.compile(r"Last: stop, \d:\d\d to clear"))
    board.await_saved()
    opened, *_, stop = logbook(session)
    assert stop.kind == "stop"
    assert 0 <= stop.clear_seconds <= (stop.occurred_at - opened.occurred_at).total_seconds() + 1
    page.locator("#more").tap()
    expect(page.locator("#menu-stop")).to_have_text("Stop and its clear time")


def test_a_clock_that_nobody_wants_is_left_out(board, session):
    board.fail("dropped part")
    board.open_more("stop")
    board.page.locator("#stop-clock").tap()
    board.page.locator("#sheet-stop [data-close]").tap()
    expect(board.page.locator("#stopped")).to_be_hidden()
    board.tap_good()
    board.await_logged(2)
    board.await_saved()
    assert kinds_of(session) == ["open", "failed", "good"]
