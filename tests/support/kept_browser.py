"""A Chromium on a folder of its own: what it stored is there again when it was killed."""

from __future__ import annotations

import os
import signal
from contextlib import suppress

from playwright.sync_api import Error
from support.browsing import PATIENCE, SWITCHES, browser_path
from support.hashing import QUICK_IN_A_PAGE

CLOCK = """(() => {
  const True = Date;
  let moved = 0;
  window.moveClock = (seconds) => { moved = seconds * 1000; };
  window.Date = class extends True {
    constructor(...given) {
      if (given.length === 0) super(True.now() + moved);
      else super(...given);
    }
    static now() { return True.now() + moved; }
  };
})();"""
"""A clock that somebody sets: what `Date` says moves, the steady `performance.now` does not."""

# What a browser says of a request that a test itself lets fail.
EXPECTED = ("Failed to load resource", "net::ERR_")


def listen(page, complaints):
    """Keep what a page calls an error, but for requests that got no answer."""

    def hear(message):
        if message.type == "error" and not any(word in message.text for word in EXPECTED):
            complaints.append(message.text)

    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", hear)


class KeptBrowser:
    """A browser of its own process, as a tablet has it: killed and started, it is the same one.

    `complaints` holds what it called an error, but for requests that got no answer.
    """

    def __init__(self, playwright, folder, **options):
        self._chromium = playwright.chromium
        self._folder = folder
        self._options = {"viewport": {"width": 1280, "height": 800}, "has_touch": True} | options
        self._moved = 0
        self.complaints = []
        self.context = self.page = None

    def start(self):
        """Start it, and return its page."""
        self.context = self._chromium.launch_persistent_context(
            self._folder, executable_path=browser_path(), args=list(SWITCHES), **self._options
        )
        self.context.set_default_timeout(PATIENCE)
        self.context.add_init_script(QUICK_IN_A_PAGE)
        self.context.add_init_script(CLOCK)
        self.context.add_init_script(f"window.moveClock({self._moved})")
        self.page = self.context.pages[0]
        listen(self.page, self.complaints)
        self.page.on("dialog", lambda dialog: dialog.accept())
        return self.page

    def move_clock(self, seconds):
        """Set the tablet's clock that much off the true time."""
        self._moved = seconds
        self.context.add_init_script(f"window.moveClock({seconds})")
        self.page.evaluate(f"window.moveClock({seconds})")

    def kill(self):
        """End all of its processes at once, as an empty battery does."""
        number = int(os.readlink(self._folder / "SingletonLock").rpartition("-")[2])
        assert os.getpgid(number) == number, "a browser leads its own group of processes"
        os.killpg(number, signal.SIGKILL)
        with suppress(Error):
            self.context.close()

    def close(self):
        if self.context is not None:
            with suppress(Error):
                self.context.close()
