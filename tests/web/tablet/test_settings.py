"""Sound, vibration, a screen that stays on, and the language: as the tablet was set to."""

from __future__ import annotations

import json

import pytest
from playwright.sync_api import expect
from support.tablet_views import VIEWS, each_view

from trialog.web.logging import shell

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

DEVICES = """
window.buzzes = []; window.tones = []; window.locks = []; window.released = 0;
Object.defineProperty(navigator, "vibrate", { value: (how) => window.buzzes.push(how) > 0 });
window.AudioContext = class {
  currentTime = 0;
  state = "running";
  createOscillator() {
    const frequency = { set value(pitch) { window.tones.push(pitch); } };
    return { frequency, connect: (next) => next, start() {}, stop() {} };
  }
  createGain() {
    const gain = { setValueAtTime() {}, exponentialRampToValueAtTime() {} };
    return { gain, connect: (next) => next };
  }
};
Object.defineProperty(navigator, "wakeLock", { value: {
  async request(kind) {
    const lock = new EventTarget();
    lock.release = async () => {
      window.released += 1;
      lock.dispatchEvent(new Event("release"));
    };
    window.lock = lock;
    window.locks.push(kind);
    return lock;
  },
} });
"""
"""A loudspeaker, a motor and a screen lock that note what they are asked for."""

WORDS = """(root) => {
  const within = document.querySelector(root);
  const texts = document.createTreeWalker(within, NodeFilter.SHOW_TEXT);
  const found = [];
  while (texts.nextNode()) {
    if (texts.currentNode.parentElement.checkVisibility()) found.push(texts.currentNode.data);
  }
  within.querySelectorAll("[aria-label], [placeholder]").forEach((one) => found.push(
    one.getAttribute("aria-label") || "", one.getAttribute("placeholder") || ""));
  return found.map((text) => text.trim()).filter(Boolean);
}"""


@pytest.fixture
def noted(tablet_on):
    """Return a tablet whose loudspeaker, motor and screen lock can be looked at."""
    tablet = tablet_on(before=lambda page: page.add_init_script(DEVICES))
    tablet.open_shift(counter=500)
    return tablet


def note_of(tablet, name):
    return tablet.page.evaluate(f"window.{name}.splice(0)")


def log_one_of_each(tablet):
    for name in ("tones", "buzzes"):
        note_of(tablet, name)
    before = tablet.logged()
    tablet.tap_good()
    tablet.await_logged(before + 1)
    tablet.fail("slow return")
    tablet.await_logged(before + 2)
    said = tablet.page.locator("#said")
    expect(said).to_have_text(f"failed cycle {before + 2}, slow return")


def set_switch(tablet, name, state):
    tablet.open_more("tablet")
    tablet.page.locator(f"#switch-{name}").tap()
    expect(tablet.page.locator(f"#switch-{name}-state")).to_have_text(state)
    tablet.page.locator("#sheet-tablet [data-close]").tap()


def test_a_tap_is_felt_from_the_beginning_and_heard_only_where_somebody_wants_it(noted):
    log_one_of_each(noted)
    good, failed = note_of(noted, "buzzes")
    assert good != failed
    assert note_of(noted, "tones") == []


def test_good_and_failed_sound_different_and_switches_hold_after_a_reload(noted):
    set_switch(noted, "sound", "on")
    set_switch(noted, "vibration", "off")
    for _ in range(2):
        log_one_of_each(noted)
        assert note_of(noted, "buzzes") == []
        good, *failed = note_of(noted, "tones")
        assert len(failed) == 2
        assert good > max(failed)
        noted.reload()
        noted.await_board()


def test_the_screen_stays_on_while_a_shift_runs_and_no_longer(noted):
    page = noted.page
    page.wait_for_function("() => window.locks.length === 1")
    assert note_of(noted, "locks") == ["screen"]
    page.evaluate("() => { lock.dispatchEvent(new Event('release')); }")  # as a browser does
    page.evaluate("() => { document.dispatchEvent(new Event('visibilitychange')); }")
    page.wait_for_function("() => window.locks.length === 1")
    noted.close_shift(counter=500)
    page.wait_for_function("() => window.released === 1")


def test_a_browser_without_any_of_these_logs_all_the_same(tablet_on):
    without = """
    for (const name of ["vibrate", "wakeLock"])
      Object.defineProperty(navigator, name, { value: undefined });
    delete window.AudioContext;
    """
    tablet = tablet_on(before=lambda page: page.add_init_script(without))
    tablet.open_shift(counter=500)
    set_switch(tablet, "sound", "on")
    log_silently(tablet)


def log_silently(tablet):
    tablet.tap_good()
    tablet.fail("slow return")
    tablet.await_logged(2)
    tablet.await_saved()


def texts_of(tag):
    texts = json.loads((shell.TEXTS / f"{tag}.json").read_text(encoding="utf-8"))["texts"]
    forms = [form for text in texts.values() for form in _forms(text)]
    return set(texts), set(forms)


def _forms(text):
    return text.values() if isinstance(text, dict) else [text]


def test_no_screen_and_no_sheet_shows_a_key_or_leaves_english_standing_in_spanish(tablet_on):
    tablet = tablet_on()
    tablet.page.evaluate("window.trialog.settings.set('language', 'es')")
    keys, english = texts_of("en")
    _, spanish = texts_of("es")
    foreign = (keys | english) - spanish
    found, seen = {}, 0
    for view, root in each_view(tablet, VIEWS):
        expect(tablet.page.locator("html")).to_have_attribute("lang", "es")
        words = tablet.page.evaluate(WORDS, root)
        seen += len(words)
        if wrong := [text for text in words if text in foreign]:
            found[view] = wrong
    assert seen > 200
    assert found == {}
