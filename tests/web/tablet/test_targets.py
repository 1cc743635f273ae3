"""Targets for gloves, measured on the rendered page: 20 mm large, 12 mm apart, nothing cut off.

A target is every element that does something when it is touched: buttons, links, boxes to type
in and to tick with their labels (see support.measuring). A tablet has 160 pixels to the inch.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pprint import pformat

import pytest
from support.cells import count, write
from support.measuring import clipped_in, outside, targets_in, too_near, too_small
from support.tablet_views import BOARDS, SHEETS, VIEWS, all_sheets, each_view

from trialog.records.database import unit_of_work
from trialog.records.setup import add_mode
from trialog.records.words import Effect

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

TABLETS = [(1280, 800), (800, 1280)]
PHONE, LYING, LAPTOP = (360, 740), (740, 360), (1366, 768)
LARGEST = ("good", "collect", "reading", "again", "check-good")
ENDLESS = "very long name "  # seven times is as long as allowed: shortened, it may be
PHONE_TARGET, PHONE_GAP = 44, 8  # a phone is held near: what a thumb needs there, from memory


@pytest.fixture(autouse=True)
def machine_count(session, cell):
    """Let the machine's own count be known, so that it is offered wherever one is typed."""
    now = datetime.now(UTC)
    write(session, cell, count(12_345_678, occurred_at=now), now=now)


@pytest.fixture
def three_by_three(session, cell, now):
    """Give each of the three devices three failure modes, one with a name as long as allowed."""
    with unit_of_work(session):
        for device, names in (
            (cell.arm, ["part not caught"]),
            (cell.jet, ["nozzle blocked", "hose burst"]),
            (cell.tray, ["part marked", f"<b>{ENDLESS * 7}"]),
        ):
            for name in names:
                add_mode(session, device, name, Effect.NUISANCE, actor=None, now=now)


def assert_faultless(tablet, *looks, views=VIEWS):
    """Hold every view to what each look finds in its shapes, and tell all that is wrong at once.

    A view is brought up once and turned into one shape after another, as a tablet is that is
    turned around.
    """
    found = {}
    for view, root in each_view(tablet, views):
        for find, (width, height) in [(find, one) for find, shapes in looks for one in shapes]:
            tablet.page.set_viewport_size({"width": width, "height": height})
            assert tablet.page.evaluate("[innerWidth, innerHeight]") == [width, height]
            there = find(tablet.page, root, width, height)
            if wrong := {kind: what for kind, what in there.items() if what}:
                found[view, find.__name__, width, height] = wrong
    assert found == {}, pformat(found, width=120)


def sizes(boxes):
    return [(box["name"], box["text"], round(box["width"]), round(box["height"])) for box in boxes]


def on_a_tablet(page, root, _width, _height):
    """Every target is 20 mm large and 12 mm from the next."""
    boxes = targets_in(page, root)
    return {
        "no target": [] if boxes else [root],
        "too small": sizes(too_small(boxes)),
        "too near": too_near(boxes),
        "cut off": clipped_in(page, root),
    }


def on_a_phone_or_a_13_inch_screen(page, root, width, _height):
    """A phone and a larger screen show everything, with targets for a thumb."""
    boxes = targets_in(page, root)
    return {
        "too small": sizes(too_small(boxes, PHONE_TARGET)),
        "too near": too_near(boxes, PHONE_GAP),
        "cut off": clipped_in(page, root),
        "beyond the side": outside(boxes, width, float("inf")),
    }


def with_text_of_twice_the_size(page, root, width, _height):
    """All of the text is there, and the page is no wider; until it is loaded anew."""
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    wide = page.evaluate("document.documentElement.scrollWidth") > width
    return {"cut off": clipped_in(page, root), "scrolls sideways": [root] if wide else []}


def test_every_view_can_be_hit_and_read_on_tablets_on_a_phone_and_with_large_text(tablet_on):
    assert_faultless(
        tablet_on(),
        (on_a_tablet, TABLETS),
        (on_a_phone_or_a_13_inch_screen, [PHONE, LYING, LAPTOP]),
        (with_text_of_twice_the_size, TABLETS),
    )


def test_nine_failure_modes_fit_without_scrolling(tablet_on, three_by_three):
    def find(page, root, width, height):
        boxes = targets_in(page, root)
        largest = max(boxes, key=lambda box: box["width"] * box["height"])
        modes = page.locator(f"{root} [data-mode]").count()
        return {
            "modes": [] if modes == 9 else [modes],
            "beyond the edge": outside(boxes, width, height),
            "too small": sizes(too_small(boxes)),
            "too near": too_near(boxes),
            "cut off": [text for text in clipped_in(page, root) if ENDLESS not in text],
            "largest": [] if largest["name"] in LARGEST else [largest["name"]],
        }

    shapes = [*TABLETS, (1280, 690), (800, 1160)]
    assert_faultless(tablet_on(), (find, shapes), views=BOARDS)


def test_no_sheet_is_left_out_of_these_measurements(tablet_on):
    assert sorted(all_sheets(tablet_on().page)) == sorted(SHEETS)


def test_no_word_about_a_pin_pushes_a_digit_off_the_screen(tablet_on):
    tablet = tablet_on()
    tablet.page.set_viewport_size({"width": 800, "height": 1280})
    beyond = {}
    for language in ("en", "es"):
        tablet.page.evaluate(f"window.trialog.texts.use('{language}')")
        tablet.page.evaluate("window.trialog.show('people')")
        tablet.page.locator("#people [data-person]:not([aria-current])").first.tap()
        for why in ("wrong_here", "locked", "not_here_yet", "revoked"):
            most = tablet.page.evaluate(
                """(key) => {
                  const screen = document.getElementById("screen-pin");
                  document.getElementById("pin-said").textContent =
                    window.trialog.texts.t(key, { left: 3, minutes: 15 });
                  return screen.scrollHeight - screen.clientHeight;
                }""",
                f"pin.{why}",
            )
            if most > 0:
                beyond[language, why] = most
    assert beyond == {}
