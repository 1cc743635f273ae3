"""Good and failed cycles on the board, by touch: each tap is a line of the logbook."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect
from support.kept_browser import CLOCK
from support.reading import CYCLES, kinds_of, logbook
from support.tablet_page import SLOW_DISK

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

HURRY = """(taps) => {
  const good = document.getElementById("good");
  const box = good.getBoundingClientRect();
  const at = { bubbles: true, pointerId: 1, button: 0, clientX: box.x + 9, clientY: box.y + 9 };
  for (let tap = 0; tap < taps; tap += 1) {
    good.dispatchEvent(new PointerEvent("pointerdown", at));
    good.dispatchEvent(new PointerEvent("pointerup", at));
    good.dispatchEvent(new MouseEvent("click", { bubbles: true, detail: 1 }));
  }
}"""
"""Taps as quick as they come, each with the click that a browser sends after it."""

SLIDE = """([from, to]) => {
  const good = document.getElementById("good");
  const box = good.getBoundingClientRect();
  const at = (share) => ({ bubbles: true, pointerId: 1, button: 0,
    clientX: box.x + share * box.width, clientY: box.y + box.height / 2 });
  good.dispatchEvent(new PointerEvent("pointerdown", at(from)));
  good.dispatchEvent(new PointerEvent("pointerup", at(to)));
}"""


def mode(tablet, name):
    return tablet.page.locator(f'#modes [data-name="{name}"]')


def last(tablet):
    return tablet.page.locator("#last")


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (800, 1280)])
def test_one_tap_is_one_good_cycle_and_shows_at_once(tablet_on, session, width, height):
    tablet = tablet_on(viewport={"width": width, "height": height})
    tablet.open_shift(counter=500)
    for _ in range(5):
        tablet.tap_good()
    tablet.await_logged(5)
    expect(tablet.page.locator("#counter")).to_have_text("Counter should read 505")
    tablet.await_saved()
    entries = logbook(session, "good")
    assert [(entry.cycles, entry.cycle_number) for entry in entries] == [
        (1, 1), (1, 2), (1, 3), (1, 4), (1, 5),
    ]  # fmt: skip


def test_the_count_goes_ahead_of_a_slow_disk_and_is_marked_until_that_has_it(board):
    board.await_saved()  # what opened the shift
    board.page.evaluate(SLOW_DISK)
    board.tap_good()
    board.fail("chips left")
    counted = board.page.locator("#logged")
    expect(counted).to_have_text("2")
    expect(counted).to_have_class("ahead")
    assert board.failed() == 1
    assert board.page.evaluate("() => window.trialog.outbox.waiting.length") == 0
    board.page.evaluate("() => window.turnDisk()")
    expect(counted).not_to_have_class("ahead")
    board.await_logged(2)
    assert board.failed() == 1


def test_a_line_says_who_saw_it_and_which_tablet_wrote_it(board, session, people):
    board.tap_good()
    board.await_logged(1)
    board.await_saved()
    (entry,) = logbook(session, "good")
    assert (entry.person_id, entry.recorded_by_id) == (people.operator.id, people.operator.id)
    assert entry.tablet is not None
    assert entry.shift.opening_counter == 500


def test_quick_taps_all_count_and_a_late_click_is_no_second_tap(board, session):
    board.page.evaluate(HURRY, 30)
    board.await_logged(30)
    board.await_saved()
    assert len(logbook(session, "good")) == 30


def test_a_glove_that_slides_on_the_target_taps_it_and_one_that_slides_off_does_not(board, session):
    board.page.evaluate(SLIDE, [0.1, 0.9])
    board.page.evaluate(SLIDE, [0.5, 3])
    board.tap_good()
    expect(last(board)).to_have_text("Last: good cycle 2")
    board.await_saved()
    assert len(logbook(session, "good")) == 2


def test_a_server_that_never_answers_holds_up_no_tap(board, session):
    board.await_saved()
    board.page.route("**/api/tablet/entries", lambda _: None)
    board.tap_good()
    board.fail("slow return")
    board.tap_good()
    board.await_logged(3)
    expect(board.page.locator("#saved-words")).to_have_text("3 not yet saved")
    expect(board.page.locator("#saved-why")).to_contain_text(re.compile(r"^since \d\d:\d\d"))
    assert logbook(session, *CYCLES) == []


def test_one_tap_on_a_mode_is_one_failed_cycle(board, session):
    board.tap_good()
    mode(board, "chips left").tap()
    expect(last(board)).to_have_text("Last: failed cycle 2, chips left")
    expect(board.page.locator("#failed")).to_have_text("1")
    board.await_saved()
    (entry,) = logbook(session, "failed")
    assert [found.name for found in entry.modes] == ["chips left"]
    assert (entry.cycle_number, entry.cycles) == (2, 1)


def test_several_modes_on_one_cycle_are_logged_together(board, session):
    page = board.page
    page.locator("#several").tap()
    expect(page.locator("#good")).to_be_hidden()
    expect(page.locator("#collect")).to_be_disabled()
    for name in ("dropped part", "slow return", "chips left", "slow return"):
        mode(board, name).tap()
    expect(page.locator("#collect-name")).to_have_text("Log failed cycle 1")
    expect(page.locator("#collect-modes")).to_have_text("dropped part and chips left")
    expect(mode(board, "chips left")).to_have_attribute("aria-pressed", "true")
    page.locator("#collect").tap()
    expect(page.locator("#good")).to_be_visible()
    board.await_logged(1)
    board.await_saved()
    (entry,) = logbook(session, "failed")
    assert [found.name for found in entry.modes] == ["dropped part", "chips left"]


def test_collecting_can_be_cancelled_and_logs_nothing(board, session):
    board.page.locator("#several").tap()
    mode(board, "chips left").tap()
    board.page.locator("#several").tap()
    expect(board.page.locator("#good")).to_be_visible()
    expect(mode(board, "chips left")).not_to_have_attribute("aria-pressed", "true")
    board.tap_good()
    board.await_logged(1)
    board.await_saved()
    assert kinds_of(session) == ["open", "good"]


def test_the_largest_target_can_be_reached_and_pressed_by_keyboard(board, session):
    board.page.focus("#good")
    board.page.keyboard.press("Enter")
    board.page.keyboard.press("Space")
    board.await_logged(2)
    board.await_saved()
    assert len(logbook(session, "good")) == 2


def test_a_tap_that_opens_a_sheet_does_not_press_what_the_sheet_puts_under_the_finger(
    board, session
):
    board.tap_good()
    board.await_logged(1)
    for name, opens in (("undo", ".undo"), ("bulk", ".bulk"), ("more", "#more")):
        sheet = board.page.locator(f"#sheet-{name}")
        for _ in range(3):
            board.page.locator(f"#screen-board {opens}").tap()
            expect(sheet).to_be_visible()
            sheet.locator("[data-close]").tap()
            expect(sheet).to_be_hidden()
    board.await_logged(1)
    board.await_saved()
    assert kinds_of(session) == ["open", "good"]


def test_taps_without_a_network_go_out_in_their_order_afterwards(board, session):
    board.await_saved()
    board.page.context.set_offline(True)
    board.tap_good()
    mode(board, "dropped part").tap()
    board.undo_last()
    mode(board, "slow return").tap()
    expect(board.page.locator("#saved-words")).to_have_text("4 not yet saved")
    expect(board.page.locator("#saved-why")).to_contain_text("No network")
    board.await_logged(2)
    board.page.context.set_offline(False)
    board.await_saved()
    assert kinds_of(session, *CYCLES, "undo") == ["good", "failed", "undo", "failed"]
    board.await_logged(2)


def test_a_tablets_wrong_clock_does_not_decide_when_a_cycle_was(tablet_on, session):
    tablet = tablet_on(before=lambda page: page.add_init_script(f"{CLOCK} moveClock(-86400 * 30)"))
    tablet.open_shift(counter=500)
    tablet.tap_good()
    tablet.await_logged(1)
    tablet.await_saved()
    (entry,) = logbook(session, "good")
    assert abs((entry.recorded_at - entry.occurred_at).total_seconds()) < 60
    assert (entry.recorded_at - entry.tablet_time).days in (29, 30)
    expect(tablet.page.locator("#clock-off")).to_contain_text("Tablet clock 720:")


def test_without_javascript_the_page_says_that_nothing_would_be_saved(browser, live_server):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{live_server.url}/tablet/")
    expect(page.locator(".no-script")).to_contain_text("no tap on this page would be saved")
    context.close()
