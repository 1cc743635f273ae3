"""The machine's own count beside the digits: taken by a tap, or left for what somebody types."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import expect
from support.cells import count, write
from support.reading import only_shift

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


@pytest.fixture
def machine_says(session, cell):
    """Return a function that writes what the machine counted, so many seconds ago."""

    def say(counter, ago=0):
        now = datetime.now(UTC)
        write(session, cell, count(counter, occurred_at=now - timedelta(seconds=ago)), now=now)

    return say


def offer_on(tablet, where):
    return tablet.page.locator(f"#{where} [data-machine]")


def test_a_shift_opens_and_closes_with_what_the_machine_says(machine_says, tablet_on, session):
    machine_says(4_345, ago=200)
    tablet = tablet_on()
    offer = offer_on(tablet, "screen-open")
    expect(offer).to_contain_text("The machine says 4,345: use it")
    expect(offer).to_contain_text("told 3 min ago")
    offer.tap()
    expect(tablet.page.locator("#open-go-reading")).to_have_text("counter at 4,345")
    tablet.page.locator("#open-go").tap()
    tablet.await_board()
    for _ in range(2):
        tablet.tap_good()
    tablet.await_logged(2)
    tablet.await_saved()
    machine_says(4_347)
    tablet.open_more("close")
    offer = offer_on(tablet, "sheet-close")
    expect(offer).to_contain_text("4,347")  # asked for anew as the sheet came up
    expect(offer).to_contain_text("told just now")
    offer.tap()
    expect(tablet.page.locator("#close-words")).to_contain_text("It does.")
    tablet.page.locator("#close-send").tap()
    expect(tablet.page.locator("#halt-title")).to_contain_text("is closed")
    tablet.await_saved()
    shift = only_shift(session)
    assert (shift.opening_counter, shift.closing_counter) == (4_345, 4_347)


def test_whoever_types_another_reading_is_not_contradicted(machine_says, tablet_on, session):
    machine_says(4_345)
    tablet = tablet_on()
    expect(offer_on(tablet, "screen-open")).to_be_visible()
    tablet.open_shift(counter=4_340)
    tablet.await_saved()
    assert only_shift(session).opening_counter == 4_340


def test_without_the_network_it_is_not_offered(machine_says, tablet_on):
    machine_says(4_345)
    tablet = tablet_on()
    offer = offer_on(tablet, "screen-open")
    previous = tablet.page.locator("#open-previous")
    expect(offer).to_be_visible()
    expect(previous).to_be_hidden()  # the machine's is newer, and has its place
    tablet.page.context.set_offline(True)
    expect(offer).to_be_hidden()
    expect(previous).to_be_visible()
    tablet.page.context.set_offline(False)
    expect(offer).to_be_visible()


def test_where_the_machine_was_silent_for_long_it_is_not_offered(machine_says, tablet_on):
    machine_says(4_345, ago=3_600)
    tablet = tablet_on()
    expect(tablet.page.locator("#open-go")).to_be_visible()
    expect(offer_on(tablet, "screen-open")).to_be_hidden()


def test_a_reading_in_between_may_come_from_the_machine(machine_says, board):
    machine_says(503)
    board.page.evaluate("window.trialog.tablet.refresh()")
    board.open_more("counter")
    offer_on(board, "sheet-counter").tap()
    expect(board.page.locator("#counter-words")).to_contain_text("3 cycles were counted")
