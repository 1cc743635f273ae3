"""Leaving the page: nothing is asked while the tablet keeps the taps, and once where it cannot."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect
from support.reading import kinds_of, logbook

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

NO_DISK = "Object.defineProperty(window, 'indexedDB', { value: undefined })"


def leave(tablet, *, stay):
    """Go to another page, answer what the browser asks, and return what that was."""
    asked = []

    def answer(dialog):
        asked.append(dialog.type)
        dialog.dismiss() if stay else dialog.accept()

    tablet.page.once("dialog", answer)
    with tablet.page.expect_event("dialog" if stay else "load"):
        tablet.page.evaluate("() => { setTimeout(() => location.assign('/login'), 0); }")
    return asked


def test_what_only_the_pages_memory_has_is_not_left_without_a_question(tablet_on, session):
    tablet = tablet_on(before=lambda page: page.add_init_script(NO_DISK))
    tablet.open_shift(counter=500)
    tablet.await_saved()
    tablet.page.context.set_offline(True)
    tablet.tap_good()
    tablet.await_logged(1)
    expect(tablet.page.locator("#banner")).to_contain_text("1 line is only in this page's memory")
    assert leave(tablet, stay=True) == ["beforeunload"]
    tablet.page.context.set_offline(False)
    tablet.await_saved()
    assert kinds_of(session) == ["open", "good"]
    assert leave(tablet, stay=False) == []


def test_unsaved_taps_on_the_tablets_own_disk_are_no_reason_to_ask_and_are_there_again(
    board, session, live_server
):
    board.await_saved()
    board.page.route("**/api/tablet/entries", lambda route: route.abort())
    board.tap_good()
    board.await_logged(1)
    expect(board.page.locator("#saved-words")).to_have_text("1 not yet saved")
    assert leave(board, stay=False) == []
    expect(board.page).to_have_url(re.compile("/login"))
    board.page.unroute("**/api/tablet/entries")
    board.page.goto(f"{live_server.url}/tablet/")
    assert board.await_board() == 1
    board.await_saved()
    assert [entry.cycle_number for entry in logbook(session, "good")] == [1]


def test_a_private_window_keeps_taps_through_a_reload_and_says_that_it_may_lose_them(board):
    # Every context of a browser under test is a private window: nothing outlives it.
    board.await_saved()
    board.page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    board.page.context.set_offline(True)
    board.tap_good()
    board.await_logged(1)
    board.reload()
    assert board.await_board() == 1
    assert board.page.evaluate("navigator.storage.persisted()") is False
    board.open_more("tablet")
    expect(board.page.locator("#fact-limits")).to_contain_text("may clear what is not saved yet")
    board.page.context.set_offline(False)
    board.await_saved()
