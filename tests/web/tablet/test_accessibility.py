"""Every screen and sheet for people who see little, see no colours, use no finger or listen."""

from __future__ import annotations

import re
from pprint import pformat

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect
from sqlalchemy import select
from support.tablet_views import each_view

from trialog.records.models import Entry, Shift

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
BAD = ("serious", "critical")
MOST_TABS = 60
THEMES = ("light", "dark", "contrast")


def serious_faults(page, root):
    """Return what axe calls serious or critical in what can be seen."""
    options = {"runOnly": {"type": "tag", "values": RULES}, "resultTypes": ["violations"]}
    found = Axe().run(page, context=root, options=options).response
    return [
        (fault["id"], node["target"], node["failureSummary"][:300])
        for fault in found["violations"]
        if fault["impact"] in BAD
        for node in fault["nodes"]
    ]


def test_axe_finds_nothing_serious_on_any_screen_or_sheet_in_any_theme(tablet_on):
    tablet = tablet_on()
    found, seen = {}, set()
    for view, root in each_view(tablet):
        for theme in THEMES:
            tablet.set_up("theme", theme)
            expect(tablet.page.locator("html")).to_have_attribute("data-theme", theme)
            seen.add((view, theme))
            if faults := serious_faults(tablet.page, root):
                found[view, theme] = faults
    assert len(seen) > 20 * len(THEMES)
    assert found == {}, pformat(found, width=150)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_board_follows_the_tablets_own_look(tablet_on, scheme):
    tablet = tablet_on(color_scheme=scheme)
    tablet.open_shift(counter=100)
    ground = tablet.page.evaluate(
        "() => getComputedStyle(document.documentElement).backgroundColor"
    )
    brightness = sum(int(part) for part in re.findall(r"\d+", ground)[:3])
    assert (brightness > 3 * 128) == (scheme == "light")
    assert serious_faults(tablet.page, "#screen-board") == []


# ── By keyboard alone ─────────────────────────────────────────────────────────


class Keyboard:
    """Somebody who has a keyboard only: Tab to what is wanted, then Enter or Space."""

    def __init__(self, page):
        self.page = page

    def reach(self, selector):
        """Press Tab until the focus is there; every stop on the way must be visible."""
        for _ in range(MOST_TABS):
            if self.page.evaluate("(where) => document.activeElement.matches(where)", selector):
                return self
            self.page.keyboard.press("Tab")
            assert self.page.evaluate("() => document.activeElement.checkVisibility()")
        raise AssertionError(f"Tab never comes to {selector}")

    def press(self, selector, key="Enter"):
        self.reach(selector)
        assert self._shows_focus(), f"nothing shows that {selector} has the focus"
        self.page.keyboard.press(key)

    def type(self, text):
        self.page.keyboard.type(str(text))

    def _shows_focus(self):
        return self.page.evaluate(
            """() => {
              const style = getComputedStyle(document.activeElement);
              return style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2;
            }"""
        )


def test_a_whole_shift_by_keyboard_alone(browser, live_server, code_for, people, session):
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.goto(f"{live_server.url}/tablet/")
    expect(page.locator("#screen-enrol")).to_be_visible()
    keys = Keyboard(page)
    keys.reach("#enrol-code").type(code_for())
    page.keyboard.press("Enter")
    expect(page.locator("#screen-people")).to_be_visible()
    keys.press(f"#people [data-person='{people.operator.id}']")
    expect(page.locator("#screen-pin")).to_be_visible()
    keys.type(people.pin(people.operator))
    keys.press("#pin-go")
    expect(page.locator("#sheet-guide")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#sheet-guide")).to_be_hidden()
    keys.type(500)
    keys.press("#open-go")
    expect(page.locator("#good")).to_be_visible()
    log_by_keyboard(keys)
    close_by_keyboard(keys)
    session.rollback()
    kinds = [str(entry.kind) for entry in session.scalars(select(Entry).order_by(Entry.sequence))]
    assert kinds == [
        "open", "good", "good", "failed", "failed", "undo", "good", "note", "close",
    ]  # fmt: skip
    assert session.scalars(select(Shift)).one().closing_counter == 515
    context.close()


def log_by_keyboard(keys):
    page, logged = keys.page, keys.page.locator("#logged")
    keys.press("#good")
    page.keyboard.press("Space")
    expect(logged).to_have_text("2")
    keys.press('#modes [data-name="slow return"]')
    expect(logged).to_have_text("3")
    keys.press("#several", "Space")
    keys.press('#modes [data-name="slow return"]', "Space")
    page.keyboard.press("Shift+Tab")
    keys.press("#collect")
    expect(logged).to_have_text("4")
    keys.press("#screen-board .undo")
    keys.press("#undo-lines .undo-line")
    expect(logged).to_have_text("3")
    keys.press("#screen-board .bulk")
    keys.type(12)
    keys.press("#bulk-log")
    expect(logged).to_have_text("15")
    keys.press("#more")
    keys.press("#sheet-more [data-sheet=note]")
    keys.reach("#note-text").type("coolant looked at")
    keys.press("#note-log")
    expect(page.locator("#sheet-note")).to_be_hidden()


def close_by_keyboard(keys):
    page = keys.page
    keys.press("#more")
    page.keyboard.press("Escape")
    assert page.evaluate("() => document.activeElement.id") == "more", "the focus comes back"
    keys.press("#more")
    keys.press("#sheet-more [data-sheet=close]")
    keys.type(515)
    keys.press("#close-send")
    expect(page.locator("#sheet-halt")).to_be_visible()
    expect(page.locator("#saved-words")).to_have_text("All saved")


# ── By ear ────────────────────────────────────────────────────────────────────


def test_a_screen_reader_hears_names_groups_and_states(tablet_on):
    tablet = tablet_on()
    tablet.open_shift(counter=500)
    expect(tablet.page.locator("#screen-board")).to_match_aria_snapshot(
        """
        - heading /Log shift .* on Lathe 4/ [level=1]
        - paragraph: Counter should read 500
        - button "Good cycle"
        - 'region "Failed cycle: what went wrong"':
          - group "arm":
            - button "dropped part stops the cell"
            - button "slow return nuisance"
          - group "jet":
            - button "chips left can damage"
          - group "tray":
            - button "ejection miss stops the cell"
        - button "Several good cycles"
        - button "Undo"
        - button "Several failures on one cycle"
        - button "Condition"
        - button "All saved"
        - 'button "Hand over: Olga Operator is logging"'
        - button "Menu"
        """
    )


def test_a_screen_reader_hears_what_was_logged_and_undone(tablet_on):
    tablet = tablet_on()
    tablet.open_shift(counter=500)
    said = tablet.page.locator("#said")
    expect(said).to_have_attribute("aria-live", "polite")
    tablet.tap_good()
    expect(said).to_have_text("good cycle 1")
    tablet.fail("chips left")
    expect(said).to_have_text("failed cycle 2, chips left")
    tablet.undo_last()
    expect(said).to_have_text("Undone: failed cycle 2, chips left")


def test_a_screen_reader_hears_that_the_network_went_and_came_back(tablet_on):
    tablet = tablet_on()
    tablet.open_shift(counter=500)
    tablet.await_saved()
    said = tablet.page.locator("#saved-said")
    expect(said).to_have_attribute("role", "status")
    tablet.page.context.set_offline(True)
    tablet.tap_good()
    expect(said).to_contain_text("No network")
    tablet.page.context.set_offline(False)
    expect(said).to_contain_text("All saved")


def test_several_modes_and_switches_say_whether_they_are_on(tablet_on):
    tablet = tablet_on()
    tablet.open_shift(counter=500)
    tablet.page.locator("#several").tap()
    expect(tablet.page.locator("#several")).to_have_attribute("aria-pressed", "true")
    chips = tablet.page.locator('#modes [data-name="chips left"]')
    expect(chips).to_have_attribute("aria-pressed", "false")
    chips.tap()
    expect(chips).to_have_attribute("aria-pressed", "true")


@pytest.mark.parametrize("sheet", ["undo", "bulk", "more", "note", "close", "unsent", "tablet"])
def test_a_sheet_is_a_dialog_with_a_name_and_keeps_the_focus_inside(tablet_on, sheet):
    tablet = tablet_on()
    tablet.open_shift(counter=500)
    tablet.page.evaluate(f"window.trialog.openSheet('{sheet}')")
    dialog = tablet.page.get_by_role("dialog")
    expect(dialog).to_have_accessible_name(re.compile(r"\w"))
    for _ in range(MOST_TABS):
        tablet.page.keyboard.press("Tab")
        assert tablet.page.evaluate(
            "() => Boolean(document.activeElement.closest('dialog[open]')) ||"
            " document.activeElement === document.body"
        )
