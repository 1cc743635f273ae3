"""Undo: it says what it takes back, and the logbook keeps both lines."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect
from support.reading import kinds_of, logbook

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


def lines(tablet):
    return tablet.page.locator(".undo-line")


def open_undo(tablet):
    tablet.page.locator("#screen-board .undo").tap()
    expect(tablet.page.locator("#sheet-undo")).to_be_visible()


def test_undo_says_what_it_undoes(board, session):
    board.tap_good()
    board.fail("slow return")
    board.await_logged(2)
    board.await_saved()
    open_undo(board)
    expect(lines(board).first).to_contain_text("Undo: failed cycle 2, slow return")
    expect(lines(board).first).to_contain_text("Olga Operator")
    expect(lines(board).nth(1)).to_contain_text("Undo: good cycle 1")
    lines(board).first.tap()
    board.await_logged(1)
    expect(board.page.locator("#last")).to_have_text("Last: good cycle 1")
    expect(board.page.locator("#failed")).to_have_text("0")
    board.await_saved()
    (undo,) = logbook(session, "undo")
    assert undo.target == logbook(session, "failed")[0].client_id


def test_an_earlier_line_can_be_undone_and_the_number_of_the_last_stays(board, session):
    for _ in range(3):
        board.tap_good()
    board.await_logged(3)
    open_undo(board)
    lines(board).filter(has_text="good cycle 2").tap()
    board.await_logged(2)
    board.await_saved()
    board.tap_good()
    expect(board.page.locator("#last")).to_have_text("Last: good cycle 4")
    board.await_saved()
    undo = logbook(session, "undo")[0]
    assert undo.target == logbook(session, "good")[1].client_id


def test_after_a_reload_the_last_lines_can_still_be_undone(board, session):
    board.bulk(12)
    board.await_logged(12)
    board.await_saved()
    board.reload()
    assert board.await_board() == 12
    board.undo_last()
    board.await_logged(0)
    board.await_saved()
    assert kinds_of(session) == ["open", "good", "undo"]


def test_a_line_that_is_not_saved_yet_says_so_and_can_be_undone(board, session):
    board.await_saved()
    board.page.context.set_offline(True)
    board.tap_good()
    board.await_logged(1)
    open_undo(board)
    expect(lines(board).first).to_contain_text("not yet saved")
    lines(board).first.tap()
    board.await_logged(0)
    board.page.context.set_offline(False)
    board.await_saved()
    assert kinds_of(session) == ["open", "good", "undo"]


def test_with_nothing_logged_there_is_nothing_to_undo(board):
    open_undo(board)
    expect(board.page.locator("#undo-title")).to_have_text("Nothing to undo yet")
    expect(lines(board)).to_have_count(0)


def test_undo_offers_the_last_five_lines_newest_first(board):
    for _ in range(7):
        board.tap_good()
    board.await_logged(7)
    open_undo(board)
    expect(lines(board)).to_have_count(5)
    expect(lines(board).first).to_contain_text("good cycle 7")
    expect(lines(board).last).to_contain_text("good cycle 3")
