"""Every state of the tablet page as a picture, on the demo's cell."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from pathlib import Path

from playwright.sync_api import Browser, Page
from support.tablet_page import TabletPage

LANDSCAPE = {"width": 1280, "height": 800}
PORTRAIT = {"width": 800, "height": 1280}
PHONE = {"width": 360, "height": 740}
SMALLER = 0.625  # README shows them small, and the repository keeps them all

# A grey picture with a lighter square stands for what the camera saw.
DRAW_PHOTO = """() => {
  const canvas = Object.assign(document.createElement("canvas"), {width: 1600, height: 1200});
  const pen = canvas.getContext("2d");
  pen.fillStyle = "#54605c"; pen.fillRect(0, 0, 1600, 1200);
  pen.fillStyle = "#b9c4bf"; pen.fillRect(500, 350, 600, 500);
  return canvas.toDataURL("image/jpeg", 0.8).split(",")[1];
}"""


class Album:
    """Takes pictures of one tablet and remembers what each shows."""

    def __init__(
        self, browser: Browser, desk: Page, url: str, pins: Mapping[str, str], folder: Path
    ) -> None:
        self.browser, self.desk, self.url, self.pins, self.folder = browser, desk, url, pins, folder
        self.shown: dict[str, str] = {}

    def tablet(self, size: Mapping[str, int], **options: object) -> Page:
        context = self.browser.new_context(
            viewport=dict(size), has_touch=True, device_scale_factor=SMALLER, **options
        )
        context.set_default_timeout(15_000)
        return context.new_page()

    def keep(self, page: Page, name: str, words: str) -> None:
        page.wait_for_timeout(400)  # the flash of a tap is over
        page.screenshot(path=self.folder / f"tablet-{name}.png")
        self.shown[f"tablet-{name}"] = words
        print(f"made tablet-{name}.png")

    def code(self, name: str) -> str:
        """Make an enrolment code as the engineer."""
        self.desk.goto(f"{self.url}/tablets/new")
        self.desk.get_by_label("Name").fill(name)
        self.desk.get_by_label("Cell").select_option(label="Cell 5")
        self.desk.get_by_role("button", name=re.compile("code", re.I)).click()
        words = self.desk.locator("main").inner_text()
        found = re.search(r"\b([3-9A-Y]{4})\W?([3-9A-Y]{4})\b", words)
        if found is None:
            raise SystemExit("the page shows no code")
        return found[1] + found[2]

    def sign_in(self, page: Page, name: str) -> None:
        page.locator("#people").get_by_text(name).first.tap()
        for digit in self.pins[name]:
            page.locator(f"#screen-pin [data-digit='{digit}']").tap()
        page.locator("#pin-go").tap()


def take_tablet_pictures(
    browser: Browser, desk: Page, url: str, pins: Mapping[str, str], folder: Path
) -> dict[str, str]:
    """Take a picture of each state; return what each shows, by the picture's name."""
    album = Album(browser, desk, url, pins, folder)
    one, two = list(pins)[3:5]
    page = album.tablet(LANDSCAPE)
    hands = _arrive(album, page, one)
    _log(album, page, hands)
    _go_offline(album, page)
    _hand_over(album, page, two)
    _looks(album, page)
    _close(album, page, hands)
    _lose_the_key(album, page)
    return album.shown


def _arrive(album: Album, page: Page, person: str) -> TabletPage:
    page.goto(f"{album.url}/tablet/")
    page.wait_for_selector("#enrol-code:visible")
    album.keep(page, "enrol", "A browser becomes a tablet, by code or by its picture")
    code = album.code("left of the machine")
    album.desk.screenshot(path=album.folder / "tablet-code.png")
    album.shown["tablet-code"] = "The engineer's side of it"
    page.goto("about:blank")
    page.goto(f"{album.url}/tablet/#enrol={code}")
    page.wait_for_selector("#people:visible")
    album.keep(page, "people", "Who is logging")
    page.locator("#people").get_by_text(person).first.tap()
    page.wait_for_selector("#screen-pin:visible")
    album.keep(page, "pin", "The PIN, also without a network")
    for digit in album.pins[person]:
        page.locator(f"#screen-pin [data-digit='{digit}']").tap()
    page.locator("#pin-go").tap()
    page.wait_for_selector("#sheet-guide[open]")
    album.keep(page, "help", "One minute of help, the first time")
    page.locator("#guide-skip").tap()
    hands = TabletPage(page, album.url)
    page.wait_for_selector("#screen-open:visible")
    for digit in "65557":
        page.locator(f"#screen-open [data-digit='{digit}']").tap()
    album.keep(page, "open", "Open a shift with the machine counter's reading")
    page.locator("#open-details").tap()
    album.keep(page, "open-details", "Name, stage, conditions, and what is tapped")
    page.locator("#sheet-open [data-close]").tap()
    page.locator("#open-go").tap()
    page.wait_for_selector("#good:visible")
    return hands


def _log(album: Album, page: Page, hands: TabletPage) -> None:
    for _ in range(12):
        hands.tap_good()
    hands.await_logged(12)
    hands.await_saved()
    album.keep(page, "board", "The page at the machine")
    first, second, *_ = [
        mode.get_attribute("data-name") for mode in page.locator("#modes [data-name]").all()
    ]
    hands.tap("#several")
    for name in (first, second):
        hands.tap(f'#modes [data-name="{name}"]')
    album.keep(page, "several", "Two failures on one cycle")
    page.locator("#collect").tap()
    page.wait_for_timeout(2500)
    album.keep(page, "stopped", "After a failure the clock of the stop runs by itself")
    hands.tap_good()
    page.locator("#screen-board .undo").tap()
    album.keep(page, "undo", "Undo says in words what it undoes")
    page.locator("#sheet-undo [data-close]").tap()
    for sheet, name, words in (
        ("counter", "counter", "The count against the machine's counter"),
        ("note", "note", "A note, typed or from a list"),
    ):
        hands.open_more(sheet)
        album.keep(page, name, words)
        page.locator(f"#sheet-{sheet} [data-close]").tap()
    page.locator("#screen-board .condition").tap()
    album.keep(page, "condition", "A condition in one tap")
    page.locator("#sheet-condition [data-close]").tap()
    _photo(album, page, hands)
    _spot_check(album, page, hands)


def _photo(album: Album, page: Page, hands: TabletPage) -> None:
    picture = base64.b64decode(page.evaluate(DRAW_PHOTO))
    hands.open_more("photo")
    page.locator("#sheet-photo input[type=file]").set_input_files(
        {"name": "seen.jpg", "mimeType": "image/jpeg", "buffer": picture}
    )
    page.wait_for_selector("#photo-save:not([disabled])")
    album.keep(page, "photo", "A photo of a failure, made small on the tablet")
    page.locator("#photo-save").tap()


def _spot_check(album: Album, page: Page, hands: TabletPage) -> None:
    hands.open_more("check")
    page.locator("#check-people button").first.tap()
    page.wait_for_selector("#screen-check:visible")
    for _ in range(3):
        hands.tap("#check-good")
    album.keep(page, "check", "A spot check by a second person: not counted")
    page.locator("#check-end").tap()


def _go_offline(album: Album, page: Page) -> None:
    page.context.set_offline(True)
    hands = TabletPage(page, album.url)
    for _ in range(5):
        hands.tap_good()
    page.wait_for_timeout(1200)
    album.keep(page, "offline", "No network: taps are kept, and the page says so")
    page.locator("#saved").tap()
    album.keep(page, "unsent", "What is not sent, since when and why")
    page.locator("#sheet-unsent [data-close]").first.tap()
    page.reload()
    page.wait_for_selector("#good:visible")
    album.keep(page, "reload", "Loaded again without a network: nothing is gone")
    page.context.set_offline(False)
    hands.await_saved()


def _hand_over(album: Album, page: Page, other: str) -> None:
    page.locator("#hand-over").tap()
    page.wait_for_selector("#people:visible")
    album.keep(page, "hand-over", "Hand over: the name, then the other name")
    album.sign_in(page, other)
    page.locator("#guide-skip").tap()  # everybody sees the help once
    page.wait_for_selector("#good:visible")


def _looks(album: Album, page: Page) -> None:
    hands = TabletPage(page, album.url)
    hands.open_more("tablet")
    album.keep(page, "this-tablet", "What this tablet is set to, and how it is")
    page.locator("#sheet-tablet [data-counting=failures]").tap()
    page.locator("#sheet-tablet [data-close]").first.tap()
    album.keep(page, "failures-only", "Failures only: the counter supplies the good cycles")
    hands.open_more("tablet")
    page.locator("#sheet-tablet [data-counting=every]").tap()
    page.locator("#sheet-tablet [data-theme=contrast]").tap()
    page.locator("#sheet-tablet [data-close]").first.tap()
    album.keep(page, "contrast", "High contrast")
    hands.open_more("tablet")
    page.locator("#sheet-tablet [data-theme=dark]").tap()
    page.locator("#sheet-tablet [data-language=es]").tap()
    page.locator("#sheet-tablet [data-close]").first.tap()
    album.keep(page, "spanish", "Dark, in Spanish")
    page.set_viewport_size(PORTRAIT)
    album.keep(page, "portrait", "Upright")
    page.set_viewport_size(PHONE)
    album.keep(page, "phone", "On a phone")
    page.set_viewport_size(LANDSCAPE)
    hands.open_more("tablet")
    page.locator("#sheet-tablet [data-theme=light]").tap()
    page.locator("#sheet-tablet [data-language=en]").tap()
    page.locator("#sheet-tablet [data-close]").first.tap()


def _close(album: Album, page: Page, hands: TabletPage) -> None:
    hands.open_more("close")
    hands.type_digits("close", 65500)
    page.locator("#close-send").tap()
    page.wait_for_selector("#sheet-doubt[open]")
    album.keep(page, "doubt", "A reading that cannot be: one question before it closes")
    page.locator("#doubt-back").tap()
    hands.type_digits("close", 65557 + hands.logged() + 2)
    album.keep(page, "close", "Closing: cycles that nobody logged are named")
    page.locator("#close-send").tap()
    page.wait_for_selector("#sheet-halt[open]")
    album.keep(page, "closed", "Closed, and saved")


def _lose_the_key(album: Album, page: Page) -> None:
    album.desk.goto(f"{album.url}/tablets")
    album.desk.locator("details.revoke summary").click()
    album.desk.locator("details.revoke button").click()
    page.reload()
    page.wait_for_timeout(2500)
    album.keep(page, "revoked", "A revoked tablet keeps what it has and asks for a code")
