"""The tablet page in a real browser, by touch."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from datetime import UTC, datetime

import pytest
from playwright.sync_api import expect
from sqlalchemy import select
from support.tablets import LABEL

from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.logbook import write_entries
from trialog.records.models import Entry, Shift
from trialog.records.setup import add_mode
from trialog.records.words import Effect, EntryKind

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

TABLETS = [(1280, 800), (800, 1280)]
MILLIMETRE = 160 / 25.4  # CSS pixels, on a tablet with 160 of them to the inch


@pytest.fixture
def tablet_page(page_on, shift):
    """Return the tablet page of the open shift, in landscape."""
    return page_on(f"/shifts/{shift.id}/log")


def mode(page, name):
    return page.locator(f'[data-name="{name}"]')


def wait_saved(page):
    expect(page.locator("#saved")).to_have_text("● All saved")


def logbook(session, *kinds):
    """Return the standing and undone lines of some kinds, in order."""
    session.rollback()
    statement = select(Entry).where(Entry.kind.in_(kinds)).order_by(Entry.sequence)
    return session.scalars(statement).all()


def type_digits(page, sheet, digits):
    for digit in digits:
        page.tap(f'#sheet-{sheet} [data-digit="{digit}"]')


def open_more(page, sheet):
    page.tap("#more")
    page.tap(f"#sheet-more [data-sheet={sheet}]")


@pytest.mark.parametrize(("width", "height"), TABLETS)
def test_one_tap_is_one_good_cycle_and_shows_at_once(page_on, shift, session, width, height):
    page = page_on(f"/shifts/{shift.id}/log", width=width, height=height)
    for _ in range(5):
        page.tap("#good")
    expect(page.locator("#logged")).to_have_text("5")
    expect(page.locator("#counter")).to_have_text("Counter should read 505")
    wait_saved(page)
    assert [entry.cycles for entry in logbook(session, "good")] == [1] * 5


def test_a_tap_shows_within_50_ms_though_the_server_is_slow(tablet_page):
    tablet_page.route("**/entries", lambda _: None)  # never answers
    took = tablet_page.evaluate(
        """() => {
          const good = document.getElementById("good");
          const box = good.getBoundingClientRect();
          const at = {
            bubbles: true, pointerId: 1, button: 0, clientX: box.x + 9, clientY: box.y + 9,
          };
          const start = performance.now();
          good.dispatchEvent(new PointerEvent("pointerdown", at));
          good.dispatchEvent(new PointerEvent("pointerup", at));
          return [performance.now() - start, document.getElementById("logged").textContent];
        }"""
    )
    assert took[0] < 50
    assert took[1] == "1"
    expect(tablet_page.locator("#saved")).to_have_text("▲ 1 not yet saved")


def test_quick_taps_all_count(tablet_page, session):
    tablet_page.evaluate(
        """() => {
          const good = document.getElementById("good");
          const box = good.getBoundingClientRect();
          const at = {
            bubbles: true, pointerId: 1, button: 0, clientX: box.x + 9, clientY: box.y + 9,
          };
          for (let tap = 0; tap < 30; tap += 1) {
            good.dispatchEvent(new PointerEvent("pointerdown", at));
            good.dispatchEvent(new PointerEvent("pointerup", at));
            good.dispatchEvent(new MouseEvent("click", {bubbles: true, detail: 1}));
          }
        }"""
    )
    expect(tablet_page.locator("#logged")).to_have_text("30")
    wait_saved(tablet_page)
    assert len(logbook(session, "good")) == 30


def test_the_keyboard_logs_too(tablet_page, session):
    tablet_page.focus("#good")
    tablet_page.keyboard.press("Enter")
    tablet_page.keyboard.press("Space")
    expect(tablet_page.locator("#logged")).to_have_text("2")
    wait_saved(tablet_page)
    assert len(logbook(session, "good")) == 2


def test_one_tap_on_a_mode_is_one_failed_cycle(tablet_page, session):
    tablet_page.tap("#good")
    mode(tablet_page, "chips left").tap()
    expect(tablet_page.locator("#last")).to_have_text("Last: failed cycle 2, chips left")
    expect(tablet_page.locator("#failed")).to_have_text("1")
    wait_saved(tablet_page)
    (entry,) = logbook(session, "failed")
    assert [found.name for found in entry.modes] == ["chips left"]
    assert entry.cycle_number == 2


def test_several_modes_on_one_cycle_are_logged_together(tablet_page, session):
    tablet_page.tap("#several")
    expect(tablet_page.locator("#good")).to_be_hidden()
    expect(tablet_page.locator("#collect")).to_be_disabled()
    for name in ("dropped part", "slow return", "chips left", "slow return"):
        mode(tablet_page, name).tap()
    expect(tablet_page.locator("#collect")).to_have_text(
        re.compile(r"Log failed cycle\s+1\s+dropped part and chips left")
    )
    expect(mode(tablet_page, "chips left")).to_have_attribute("aria-pressed", "true")
    tablet_page.tap("#collect")
    expect(tablet_page.locator("#good")).to_be_visible()
    wait_saved(tablet_page)
    (entry,) = logbook(session, "failed")
    assert [found.name for found in entry.modes] == ["dropped part", "chips left"]


def test_collecting_can_be_cancelled_and_logs_nothing(tablet_page, session):
    tablet_page.tap("#several")
    mode(tablet_page, "chips left").tap()
    tablet_page.tap("#several")
    expect(tablet_page.locator("#good")).to_be_visible()
    expect(mode(tablet_page, "chips left")).not_to_have_attribute("aria-pressed", "true")
    assert logbook(session, "failed") == []


def test_undo_says_what_it_undoes(tablet_page, session):
    tablet_page.tap("#good")
    mode(tablet_page, "chips left").tap()
    tablet_page.tap(".undo")
    lines = tablet_page.locator(".undo-line")
    expect(lines.first).to_contain_text("Undo: failed cycle 2, chips left")
    expect(lines.nth(1)).to_contain_text("Undo: good cycle 1")
    lines.first.tap()
    expect(tablet_page.locator("#logged")).to_have_text("1")
    expect(tablet_page.locator("#last")).to_have_text("Last: good cycle 1")
    wait_saved(tablet_page)
    assert len(logbook(session, "undo")) == 1


def test_an_earlier_line_can_be_undone_and_the_number_of_the_last_stays(tablet_page):
    for _ in range(3):
        tablet_page.tap("#good")
    tablet_page.tap(".undo")
    tablet_page.locator(".undo-line", has_text="good cycle 2").tap()
    wait_saved(tablet_page)
    expect(tablet_page.locator("#logged")).to_have_text("2")
    tablet_page.tap("#good")
    expect(tablet_page.locator("#last")).to_have_text("Last: good cycle 4")


def test_a_tap_that_opens_a_sheet_does_not_press_what_the_sheet_puts_under_the_finger(
    tablet_page, session
):
    for sheet in ("undo", "bulk", "more"):
        tablet_page.tap("#good")
        for _ in range(3):
            tablet_page.tap(f"button.{sheet}")
            expect(tablet_page.locator(f"#sheet-{sheet}")).to_be_visible()
            tablet_page.tap(f"#sheet-{sheet} [data-close]")
            expect(tablet_page.locator(f"#sheet-{sheet}")).to_be_hidden()
    wait_saved(tablet_page)
    assert len(logbook(session, "good")) == 3
    assert logbook(session, "undo", "note", "stop") == []
    assert tablet_page.url.endswith("/log")


def test_good_cycles_in_bulk(tablet_page, session):
    tablet_page.tap(".bulk")
    expect(tablet_page.locator("#bulk-log")).to_be_disabled()
    type_digits(tablet_page, "bulk", "12")
    expect(tablet_page.locator("#bulk-log")).to_have_text("Log 12 good cycles")
    tablet_page.tap("#bulk-log")
    expect(tablet_page.locator("#last")).to_have_text("Last: 12 good cycles, 1 to 12")
    wait_saved(tablet_page)
    assert [entry.cycles for entry in logbook(session, "good")] == [12]


def test_more_than_200_at_once_is_asked_about_again(tablet_page, session):
    tablet_page.tap(".bulk")
    type_digits(tablet_page, "bulk", "201")
    tablet_page.tap("#bulk-log")
    expect(tablet_page.locator("#bulk-words")).to_contain_text("Is it right?")
    assert logbook(session, "good") == []
    tablet_page.tap("#bulk-log")
    expect(tablet_page.locator("#logged")).to_have_text("201")


def test_a_typed_number_has_a_sane_end(tablet_page):
    tablet_page.tap(".bulk")
    type_digits(tablet_page, "bulk", "0987654")
    expect(tablet_page.locator("#sheet-bulk .typed")).to_have_text("9,876")
    type_digits(tablet_page, "bulk", ["back"])
    expect(tablet_page.locator("#sheet-bulk .typed")).to_have_text("987")
    type_digits(tablet_page, "bulk", ["clear"])
    expect(tablet_page.locator("#bulk-log")).to_be_disabled()


def test_a_stop_with_typed_minutes_and_seconds(tablet_page, session):
    open_more(tablet_page, "stop")
    type_digits(tablet_page, "stop", "205")
    expect(tablet_page.locator("#sheet-stop .typed")).to_have_text("2:05")
    tablet_page.tap("#stop-log")
    wait_saved(tablet_page)
    assert [entry.clear_seconds for entry in logbook(session, "stop")] == [125]


def test_a_stops_clock_runs_on_while_the_failure_is_logged_and_after_a_reload(tablet_page, session):
    open_more(tablet_page, "stop")
    tablet_page.tap("#stop-clock")
    tablet_page.tap("#sheet-stop [data-close]")
    mode(tablet_page, "dropped part").tap()
    wait_saved(tablet_page)
    tablet_page.reload()
    expect(tablet_page.locator("#more-name")).to_have_text(re.compile(r"Stop 0:0\d"))
    tablet_page.tap("#more")
    tablet_page.tap("#stop-log")
    wait_saved(tablet_page)
    (stop,) = logbook(session, "stop")
    assert 0 <= stop.clear_seconds < 60
    expect(tablet_page.locator("#more-name")).to_have_text("Stop, note, close")


def test_a_note_and_a_condition(tablet_page, session):
    open_more(tablet_page, "note")
    tablet_page.fill("#note-text", "<script>alert(1)</script> & “quotes” 🙂")
    tablet_page.tap("#note-log")
    open_more(tablet_page, "condition")
    tablet_page.fill("#lot", "coil 7")
    tablet_page.tap('[data-condition="new material lot"]')
    wait_saved(tablet_page)
    note, lot = logbook(session, "note", "condition")
    assert note.text == "<script>alert(1)</script> & “quotes” 🙂"
    assert (str(lot.condition), lot.text) == ("new material lot", "coil 7")


def test_an_answer_lost_on_the_way_counts_once(tablet_page, session):
    drops = itertools.count()

    def drop_first_answers(route):
        if next(drops) >= 2:
            return route.continue_()
        route.fetch()  # the server has written it; the tablet never hears
        return route.abort()

    tablet_page.route("**/entries", drop_first_answers)
    tablet_page.tap("#good")
    expect(tablet_page.locator("#saved")).to_have_text("▲ 1 not yet saved, trying again")
    expect(tablet_page.locator("#logged")).to_have_text("1")
    wait_saved(tablet_page)
    expect(tablet_page.locator("#logged")).to_have_text("1")
    assert len(logbook(session, "good")) == 1


def test_a_server_that_breaks_between_tap_and_answer_loses_nothing(tablet_page, session):
    breaks = itertools.count()

    def break_first(route):
        if next(breaks) < 2:
            return route.fulfill(status=500, body="broken")
        return route.continue_()

    tablet_page.route("**/entries", break_first)
    tablet_page.tap("#good")
    mode(tablet_page, "chips left").tap()
    tablet_page.tap("#good")
    expect(tablet_page.locator("#saved")).to_contain_text("not yet saved")
    wait_saved(tablet_page)
    kinds = [str(entry.kind) for entry in logbook(session, "good", "failed")]
    assert kinds == ["good", "failed", "good"]


def test_taps_while_nothing_answers_go_out_in_order_afterwards(tablet_page, session):
    tablet_page.context.set_offline(True)
    tablet_page.tap("#good")
    mode(tablet_page, "dropped part").tap()
    tablet_page.tap(".undo")
    tablet_page.locator(".undo-line").first.tap()
    mode(tablet_page, "slow return").tap()
    expect(tablet_page.locator("#saved")).to_contain_text("4 not yet saved")
    expect(tablet_page.locator("#logged")).to_have_text("2")
    tablet_page.context.set_offline(False)
    wait_saved(tablet_page)
    kinds = [str(entry.kind) for entry in logbook(session, "good", "failed", "undo")]
    assert kinds == ["good", "failed", "undo", "failed"]
    expect(tablet_page.locator("#logged")).to_have_text("2")


def test_leaving_with_unsaved_taps_is_warned_about(tablet_page):
    tablet_page.route("**/entries", lambda route: route.abort())
    tablet_page.tap("#good")
    asked = []

    def stay(dialog):
        asked.append(dialog.type)
        dialog.dismiss()

    tablet_page.once("dialog", stay)
    tablet_page.evaluate("window.setTimeout(() => window.location.assign('/help'), 0)")
    tablet_page.wait_for_timeout(500)
    assert asked == ["beforeunload"]
    assert tablet_page.url.endswith("/log")
    tablet_page.on("dialog", lambda dialog: dialog.accept())


def test_two_tablets_in_one_shift_show_the_same(page_on, shift, people):
    one = page_on(f"/shifts/{shift.id}/log")
    two = page_on(f"/shifts/{shift.id}/log", person=people.engineer, width=800, height=1280)
    one.tap("#good")
    wait_saved(one)
    mode(two, "chips left").tap()
    wait_saved(two)
    expect(two.locator("#logged")).to_have_text("2")
    one.evaluate("window.dispatchEvent(new Event('online'))")
    expect(one.locator("#logged")).to_have_text("2")
    expect(one.locator("#last")).to_have_text("Last: failed cycle 2, chips left")


def test_a_shift_closes_with_its_reading_and_shows_the_report(tablet_page, session, shift):
    tablet_page.tap("#good")
    tablet_page.tap("#good")
    open_more(tablet_page, "close")
    expect(tablet_page.locator("#close-words")).to_have_text(
        "With 2 cycles logged it should read 502."
    )
    type_digits(tablet_page, "close", "504")
    expect(tablet_page.locator("#close-words")).to_contain_text("2 cycles nobody logged")
    tablet_page.tap("#close-send")
    tablet_page.wait_for_url(f"**/shifts/{shift.id}")
    session.rollback()
    assert session.get_one(Shift, shift.id).closing_counter == 504


def test_more_logged_than_counted_asks_for_the_reason(tablet_page, session, shift):
    for _ in range(3):
        tablet_page.tap("#good")
    open_more(tablet_page, "close")
    type_digits(tablet_page, "close", "501")
    tablet_page.tap("#close-send")
    expect(tablet_page.locator("#doubt-words")).to_contain_text("the machine counted 1")
    tablet_page.tap("#doubt-send")  # without a reason nothing happens
    expect(tablet_page.locator("#sheet-doubt")).to_be_visible()
    tablet_page.fill("#doubt-reason", "two dry runs")
    tablet_page.tap("#doubt-send")
    tablet_page.wait_for_url(f"**/shifts/{shift.id}")
    (closing,) = logbook(session, "close")
    assert (closing.counter, closing.reason) == (501, "two dry runs")


@pytest.mark.parametrize("event", ["rolled over", "reset"])
def test_a_reading_below_the_first_asks_what_happened(tablet_page, session, shift, event):
    tablet_page.tap("#good")
    open_more(tablet_page, "close")
    type_digits(tablet_page, "close", "7")
    tablet_page.tap("#close-send")
    expect(tablet_page.locator("#doubt-words")).to_contain_text("less than at the start (500)")
    tablet_page.tap(f'[data-event="{event}"]')
    tablet_page.wait_for_url(f"**/shifts/{shift.id}")
    session.rollback()
    assert str(session.get_one(Shift, shift.id).counter_event) == event


def test_a_shift_closes_without_a_reading_after_a_warning(tablet_page, session, shift):
    open_more(tablet_page, "close")
    tablet_page.tap("#close-send")
    expect(tablet_page.locator("#doubt-words")).to_contain_text("GO is impossible")
    tablet_page.tap("#doubt-send")
    tablet_page.wait_for_url(f"**/shifts/{shift.id}")
    session.rollback()
    assert session.get_one(Shift, shift.id).closing_counter is None


def close_elsewhere(session, cell):
    with unit_of_work(session):
        line = NewEntry(
            client_id="elsewhere", kind=EntryKind.SHIFT_CLOSED, shift=LABEL, counter=900
        )
        write_entries(session, cell.cell, [line], actor=None, now=datetime.now(UTC))


def test_a_tap_after_another_tablet_closed_is_set_aside_where_it_is_seen(
    tablet_page, session, cell
):
    close_elsewhere(session, cell)
    tablet_page.tap("#good")
    expect(tablet_page.locator("#sheet-refused")).to_be_visible()
    expect(tablet_page.locator("#refused-lines")).to_contain_text("is closed")
    expect(tablet_page.locator("#saved")).to_contain_text("1 not taken")
    tablet_page.tap("#refused-leave")
    expect(tablet_page.locator("#halt-title")).to_contain_text("was closed")
    tablet_page.locator("#halt-go").click()
    tablet_page.wait_for_url("**/shifts/*")


def test_taps_survive_a_sign_out_and_go_out_after_signing_in_again(tablet_page, session, people):
    tablet_page.context.clear_cookies()
    tablet_page.tap("#good")
    expect(tablet_page.locator("#saved")).to_contain_text("Signed out, 1 not yet saved")
    expect(tablet_page.locator("#halt-title")).to_have_text("You are signed out")
    with tablet_page.context.expect_page() as opened:
        tablet_page.locator("#halt-go").click()
    other = opened.value
    other.check(f'input[name=name][value="{people.engineer.name}"]')
    other.fill("#pin", people.pin(people.engineer))
    other.click("main button[type=submit]")
    other.wait_for_url("**/log")
    tablet_page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    wait_saved(tablet_page)
    (entry,) = logbook(session, "good")
    assert (entry.person_id, entry.recorded_by_id) == (people.operator.id, people.engineer.id)
    expect(tablet_page.locator("#who")).to_have_text(people.engineer.name)


def test_handing_over_waits_until_all_is_saved(tablet_page, session):
    tablet_page.route("**/entries", lambda route: route.abort())
    tablet_page.tap("#good")
    tablet_page.tap("#more")
    tablet_page.click("#hand-over button")
    assert tablet_page.url.endswith("/log")
    tablet_page.unroute("**/entries")
    wait_saved(tablet_page)
    tablet_page.tap("#more")
    tablet_page.click("#hand-over button")
    tablet_page.wait_for_url(re.compile(r"/login\?next="))


@pytest.fixture
def three_by_three(session, cell, now):
    """Give each of the three devices three failure modes, one with a name as long as allowed."""
    with unit_of_work(session):
        for device, names in (
            (cell.arm, ["part not caught"]),
            (cell.jet, ["nozzle blocked", "hose burst"]),
            (cell.tray, ["part marked", "<b>" + "very long name " * 7]),
        ):
            for name in names:
                add_mode(session, device, name, Effect.NUISANCE, actor=None, now=now)


@pytest.mark.parametrize(("width", "height"), [*TABLETS, (1280, 690), (800, 1160)])
def test_targets_are_20_mm_large_and_12_mm_apart_without_scrolling(
    page_on, shift, three_by_three, width, height
):
    page = page_on(f"/shifts/{shift.id}/log", width=width, height=height)
    boxes = page.evaluate(BOXES)
    names = Counter(box["name"] for box in boxes)
    assert names["mode"] == 9
    assert names["tool"] == 4
    too_small = [box for box in boxes if min(box["width"], box["height"]) < 20 * MILLIMETRE - 0.5]
    assert too_small == []
    assert closest(boxes) >= 12 * MILLIMETRE - 0.5
    areas = sorted(boxes, key=lambda box: box["width"] * box["height"])
    assert areas[-1]["name"] == "good"
    assert all(box["left"] >= 0 and box["bottom"] <= height for box in boxes)
    assert page.evaluate(SCROLLS) == []


BOXES = """() => [...document.querySelectorAll(".board .target:not([hidden])")].map((target) => {
  const box = target.getBoundingClientRect();
  const name = ["good", "mode", "tool"].find((one) => target.classList.contains(one));
  return {name, left: box.left, right: box.right, top: box.top, bottom: box.bottom,
          width: box.width, height: box.height};
})"""

SCROLLS = """() => [document.documentElement, ...document.querySelectorAll(".modes")].filter(
  (one) => one.scrollHeight > one.clientHeight + 1 || one.scrollWidth > one.clientWidth + 1
).map((one) => one.className)"""


def closest(boxes):
    """Return the least distance between two targets, in CSS pixels."""

    def apart(one, other):
        across = max(one["left"], other["left"]) - min(one["right"], other["right"])
        down = max(one["top"], other["top"]) - min(one["bottom"], other["bottom"])
        return max(across, down)

    return min(apart(one, other) for one, other in itertools.combinations(boxes, 2))


@pytest.mark.parametrize("sheet", ["bulk", "stop", "close"])
@pytest.mark.parametrize(("width", "height"), TABLETS)
def test_digits_are_as_large_and_as_far_apart(page_on, shift, sheet, width, height):
    page = page_on(f"/shifts/{shift.id}/log", width=width, height=height)
    page.evaluate(f"window.trialog.openSheet('{sheet}')")
    boxes = page.evaluate(BOXES.replace(".board .target", f"#sheet-{sheet} .key"))
    assert len(boxes) == 12
    beside = page.evaluate(BOXES.replace(".board .target", f"#sheet-{sheet} .target"))
    assert min(closest([key, box]) for key in boxes for box in beside) >= 12 * MILLIMETRE - 0.5
    assert page.evaluate(f"document.querySelector('#sheet-{sheet}').scrollHeight") <= height
    assert min(min(box["width"], box["height"]) for box in boxes) >= 20 * MILLIMETRE - 0.5
    assert closest(boxes) >= 12 * MILLIMETRE - 0.5


@pytest.mark.parametrize(("width", "height"), [(360, 740), (390, 844), (740, 360)])
def test_a_phone_shows_everything_without_sideways_scrolling(
    page_on, shift, three_by_three, width, height
):
    page = page_on(f"/shifts/{shift.id}/log", width=width, height=height)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    boxes = page.evaluate(BOXES)
    assert min(min(box["width"], box["height"]) for box in boxes) >= 70


def test_without_javascript_the_page_says_that_nothing_would_be_saved(page_on, shift):
    page = page_on(f"/shifts/{shift.id}/log", java_script_enabled=False)
    expect(page.locator(".no-script")).to_contain_text("no tap on this page would be saved")


def test_the_wrong_clock_of_a_tablet_does_not_decide_when_a_cycle_was(page_on, shift, session):
    page = page_on(f"/shifts/{shift.id}/log")
    page.evaluate("Date.now = () => 0")
    page.tap("#good")
    wait_saved(page)
    (entry,) = logbook(session, "good")
    assert abs((entry.recorded_at - entry.occurred_at).total_seconds()) < 30
