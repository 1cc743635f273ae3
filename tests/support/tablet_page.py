"""Hands on the tablet page: enrol, sign in, open a shift, tap what happens, close."""

from __future__ import annotations

import re

from playwright.sync_api import expect
from support.browsing import PATIENCE

MODES = ["chips left", "dropped part", "ejection miss", "slow return"]
"""The failure modes of the cell under test, by name."""

SLOW_DISK = """() => {
  const { disk } = window.trialog;
  const write = disk.write;
  const turned = new Promise((done) => { window.turnDisk = done; });
  disk.write = (...order) => turned.then(() => write(...order));
}"""
"""Lets the tablet's disk take nothing until `turnDisk` is called."""


class TabletPage:
    """A page at `url`, on which somebody with a PIN logs."""

    def __init__(self, page, url):
        self.url = url
        self.take(page)

    def take(self, page):
        """Go on with another page, which a browser shows after it was started again."""
        self.page = page
        if page.url.startswith("about:"):
            page.goto(f"{self.url}/tablet/")

    # ── Until the board shows ─────────────────────────────────────────────────

    def enrol(self, code):
        self.page.goto(f"{self.url}/tablet/#enrol={code}")

    def sign_in(self, person, pin):
        self.page.locator(f"#people [data-person='{person.id}']").tap()
        for digit in pin:
            self.page.locator(f"#screen-pin [data-digit='{digit}']").tap()
        self.page.locator("#pin-go").tap()
        expect(self.page.locator("#screen-pin")).to_be_hidden()

    def skip_guide(self):
        """Leave the help out that everybody is shown once."""
        expect(self.page.locator("#sheet-guide")).to_be_visible()
        self.page.locator("#guide-skip").tap()

    def open_shift(self, *, counter=None):
        expect(self.page.locator("#screen-open")).to_be_visible()
        for digit in str("" if counter is None else counter):
            self.page.locator(f"#screen-open [data-digit='{digit}']").tap()
        self.page.locator("#open-go").tap()
        self.await_board()

    def await_board(self):
        """Wait until the page can log, and return how many cycles it shows."""
        expect(self.page.locator("#good")).to_be_visible()
        if self.page.locator("#sheet-guide").is_visible():
            self.skip_guide()  # a browser that was killed may have forgotten that it was read
        return self.logged()

    def await_settled(self, sheet):
        """Wait until a sheet that came up by itself takes taps: at first it takes none."""
        expect(self.page.locator(f"#sheet-{sheet}")).to_be_visible()
        expect(self.page.locator(f"#sheet-{sheet}[data-fresh]")).to_have_count(0)

    def reload(self):
        self.page.reload()

    def set_up(self, name, value):
        """Set what the sheet of the tablet sets, and wait until it is on the disk."""
        self.page.evaluate(
            """([name, value]) => {
              window.trialog.settings.set(name, value);
              return window.trialog.store.set("last set by a test", name);
            }""",
            [name, value],
        )

    # ── What it shows ─────────────────────────────────────────────────────────

    def logged(self):
        return self._number("#logged")

    def acknowledged(self):
        """Return the cycles that the page counts without the mark of those on their way to disk."""
        return self.page.evaluate(
            """() => {
              const number = (text) => Number(text.replace(/\\D/g, ""));
              const cycles = window.trialog.outbox.beingWritten.map((line) => line.cycles || 0);
              const logged = document.getElementById("logged");
              const marked = logged.classList.contains("ahead");
              if (marked !== cycles.length > 0) throw new Error("the mark is wrong");
              return number(logged.textContent) - cycles.reduce((sum, more) => sum + more, 0);
            }"""
        )

    def failed(self):
        return self._number("#failed")

    def expected_counter(self):
        return self._number("#counter")

    def _number(self, selector):
        return int(re.sub(r"\D", "", self.page.locator(selector).text_content()))

    def await_logged(self, cycles):
        """Wait until the page counts that many cycles, and the last one is on the disk too."""
        self.page.wait_for_function(
            """(cycles) => !window.trialog.store.writing &&
              document.getElementById("logged").textContent.replace(/\\D/g, "") === String(cycles)
            """,
            arg=cycles,
        )

    def await_saved(self):
        """Wait until the server has every line, the last tap's too, and the page says so."""
        self.page.wait_for_function(
            "() => !window.trialog.store.writing && window.trialog.outbox.waiting.length === 0",
            timeout=PATIENCE,
        )
        expect(self.page.locator("#saved-words")).to_have_text("All saved")

    # ── Taps ──────────────────────────────────────────────────────────────────

    def tap(self, selector):
        """Put a finger on the middle of a target, once it is there."""
        target = self.page.locator(selector)
        target.wait_for(state="visible")
        box = target.bounding_box()
        self.page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)

    def tap_good(self):
        self.tap("#good")

    def fail(self, *modes):
        """Log a failed cycle with one mode, or with several collected."""
        if len(modes) > 1:
            self.page.locator("#several").tap()
        for name in modes:
            self.page.locator(f'#modes [data-name="{name}"]').tap()
        if len(modes) > 1:
            self.page.locator("#collect").tap()

    def undo_last(self):
        """Undo the newest line that was tapped; a stop was logged by the page itself."""
        self.page.locator("#screen-board .undo").tap()
        self.page.locator(".undo-line").filter(has_not_text="Undo: stop").first.tap()

    def bulk(self, cycles):
        self.page.locator("#screen-board .bulk").tap()
        self.type_digits("bulk", cycles)
        self.page.locator("#bulk-log").tap()

    def note(self, text):
        self.open_more("note")
        self.page.fill("#note-text", text)
        self.page.locator("#note-log").tap()

    def close_shift(self, *, counter):
        self.open_more("close")
        self.type_digits("close", counter)
        self.page.locator("#close-send").tap()
        expect(self.page.locator("#sheet-halt")).to_be_visible()

    def open_more(self, sheet):
        self.page.locator("#more").tap()
        self.page.locator(f"#sheet-more [data-sheet={sheet}]").tap()

    def type_digits(self, sheet, digits):
        for digit in str(digits):
            self.page.locator(f"#sheet-{sheet} [data-digit='{digit}']").tap()
