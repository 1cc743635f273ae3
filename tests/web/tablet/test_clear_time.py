"""The clear time: a clock from a failure that stops the cell to the next good cycle."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect
from support.reading import logbook

from trialog.records.words import EntryKind

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


def test_the_good_cycle_after_a_failure_that_stops_the_cell_logs_the_stop(board, session):
    board.fail("dropped part")
    expect(board.page.locator("#stopped-for")).to_have_text(re.compile(r"Stopped for 0:0\d"))
    board.tap_good()
    board.await_logged(2)
    expect(board.page.locator("#stopped")).to_be_hidden()
    board.await_saved()
    lines = logbook(session)
    kinds = [line.kind for line in lines]
    assert kinds == [EntryKind.SHIFT_OPENED, EntryKind.FAILED, EntryKind.STOP, EntryKind.GOOD]
    _, failed, stop, good = lines
    between = (good.occurred_at - failed.occurred_at).total_seconds()
    assert stop.clear_seconds == pytest.approx(between, abs=1)  # whole seconds


def test_a_nuisance_starts_no_clock(board, session):
    board.fail("slow return")
    board.await_logged(1)
    expect(board.page.locator("#stopped")).to_be_hidden()
    board.tap_good()
    board.await_saved()
    assert logbook(session, EntryKind.STOP) == []


def test_the_clock_runs_on_after_a_reload_and_ends_with_an_undone_failure(board, session):
    board.fail("chips left")
    expect(board.page.locator("#stopped")).to_be_visible()
    board.set_up("counting", "every")  # nothing new, but written, and behind it what runs
    board.reload()
    board.await_board()
    expect(board.page.locator("#stopped")).to_be_visible()
    board.page.locator(".undo").tap()
    board.page.locator(".undo-line").first.tap()
    expect(board.page.locator("#stopped")).to_be_hidden()
    board.tap_good()
    board.await_saved()
    assert logbook(session, EntryKind.STOP) == []


def test_undoing_the_stop_lets_its_clock_go_on(board):
    board.fail("dropped part")
    board.tap_good()
    board.await_logged(2)
    board.page.locator(".undo").tap()
    board.page.locator(".undo-line", has_text="to clear").tap()
    expect(board.page.locator("#stopped")).to_be_visible()
