"""A shift's taps at the real page, whatever befalls it, and the list of what was acknowledged."""

from __future__ import annotations

import random

from playwright.sync_api import TimeoutError as PlaywrightTimeout
from support.emulated_shift import OFFLINE, EmulatedShift, Tap
from support.weather import Weather

IN_FLIGHT = 3
"""Taps under way, without a look at the page, when something is killed or reloaded."""


STOPPING = {"chips left", "dropped part", "ejection miss"}
"""The modes of the cell under test after which the clear time runs."""


def standing(taps):
    """Return the taps that no undo took back."""
    gone = {id(tap.undoes) for tap in taps if tap.kind == "undo"}
    return [tap for tap in taps if tap.kind != "undo" and id(tap) not in gone]


class ChaoticShift:
    """Taps a shift on a tablet between troubles.

    `acknowledged` is the test's own record: every tap that the page has acknowledged, in order.
    """

    def __init__(self, shift: EmulatedShift, tablet, browser, server, proxy, *, seed):
        self.shift, self.tablet, self.browser = shift, tablet, browser
        self.server, self.proxy = server, proxy
        self.chance = random.Random(seed)
        self.acknowledged: list[Tap] = []
        self.under_way: list[Tap] = []
        self.happened: list[str] = []
        self.cycles = 0
        self.clock: Tap | None = None  # the failure whose clear time runs

    def run(self):
        for number, tap in enumerate(self.shift.taps):
            for trouble in self.shift.troubles.get(number, ()):
                self.happened.append(f"{number}: {trouble.name} {trouble.detail or ''}")
                self._befall(trouble)
            self._make(tap)
        self._settle()
        self._clear()

    # ── Taps ──────────────────────────────────────────────────────────────────

    def _make(self, tap):
        """Tap; quick good cycles run ahead of the look at the page, as they do at a machine."""
        if tap.kind == "good" and tap.cycles == 1:
            self._tap_good(tap)
            if len(self.under_way) >= self.chance.randint(1, 6):
                self._settle()
            return
        self._settle()
        if tap.kind == "undo":
            tap.undoes = self._last_standing()
            self.tablet.undo_last()
        elif tap.kind == "failed":
            self.tablet.fail(*tap.modes)
        elif tap.kind == "note":
            self.tablet.note(tap.text)
        else:
            self._end_clock()
            self.tablet.bulk(tap.cycles)
        self.under_way.append(tap)
        self._keep_clock(tap)
        self._settle()

    def _tap_good(self, tap):
        self._end_clock()
        self.tablet.tap_good()
        self.under_way.append(tap)

    def _keep_clock(self, tap):
        """Know whose clear time runs: of the first failure that stops the cell or can damage."""
        if tap.kind == "failed" and self.clock is None and set(tap.modes) & STOPPING:
            self.clock = tap
        if tap.undoes is not None and tap.undoes is self.clock:
            self.clock = None

    def _end_clock(self):
        """The page logs the stop of itself, just before the good cycle that ends it."""
        if self.clock is not None:
            self.under_way.append(Tap("stop"))
            self.clock = None

    def _last_standing(self):
        return next(tap for tap in reversed(standing(self.acknowledged)) if tap.kind != "stop")

    def _settle(self):
        """Wait until the page has acknowledged all that was tapped."""
        for tap in self.under_way:
            self.cycles += tap.cycles - (tap.undoes.cycles if tap.undoes else 0)
        self.acknowledged += self.under_way
        self.under_way = []
        try:
            self.tablet.await_logged(self.cycles)
        except PlaywrightTimeout:
            raise AssertionError(self._story()) from None

    def _story(self):
        """Say how it came to a count that is wrong."""
        taps = ", ".join(str(tap) for tap in self.acknowledged[-8:])
        return (
            f"{self.cycles} cycles were tapped, the page shows {self.tablet.logged()}; "
            f"last taps: {taps}; what happened: {self.happened[-8:]}; it says: "
            f"{self.tablet.page.locator('body').inner_text()}"
        )

    # ── Troubles ──────────────────────────────────────────────────────────────

    def _befall(self, trouble):
        act = {
            "cut": lambda: self._cut(trouble.detail),
            "clear": self._clear,
            "reload": lambda: self._interrupted(self.tablet.reload),
            "kill the browser": lambda: self._interrupted(self._kill_browser),
            "kill the server": self._kill_server,
            "move the clock": lambda: self.browser.move_clock(trouble.detail),
        }
        act[trouble.name]()

    def _cut(self, how):
        if how == OFFLINE:
            self.browser.context.set_offline(True)
        else:
            self.proxy.turn(how)

    def _clear(self):
        self.browser.context.set_offline(False)
        self.proxy.turn(Weather.CLEAR)
        self.proxy.delay = self.chance.choice((0, 0, 0.05, 0.3))

    def _interrupted(self, interrupt):
        """Break in on taps that are under way: what the page acknowledged must be there again,
        the others may be missing from the end."""
        self._tap_good(Tap("good", cycles=1))
        self._settle()
        before = self.cycles
        for _ in range(IN_FLIGHT):
            self.tablet.tap_good()
        seen = self.tablet.acknowledged()
        interrupt()
        kept = self.tablet.await_board() - before
        assert seen - before <= kept <= IN_FLIGHT, (
            f"{seen - before} of {IN_FLIGHT} taps were acknowledged, {kept} are there afterwards; "
            f"so far: {self.happened}"
        )
        self.under_way = [Tap("good", cycles=1) for _ in range(kept)]
        self._settle()

    def _kill_browser(self):
        self.browser.kill()
        self.tablet.take(self.browser.start())

    def _kill_server(self):
        """Kill the server among taps; it comes back while the tapping goes on."""
        self._settle()
        for _ in range(IN_FLIGHT):
            self._tap_good(Tap("good", cycles=1))
        self.server.kill()
        self.server.begin()
        self._settle()
