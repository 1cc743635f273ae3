"""Every screen and every sheet of the tablet page, brought up one after the other."""

from __future__ import annotations

from playwright.sync_api import expect

SIGNING = ("enrol", "cell", "people", "pin")
"""Screens before anybody can log."""

SHEETS = (
    "guide", "open", "more", "tablet", "undo", "bulk", "counter", "stop", "note", "photo",
    "condition", "check", "close", "doubt", "unsent", "halt",
)  # fmt: skip
"""Every sheet; `all_sheets` of the rendered page holds this list to the page."""

BOARDS = ("board", "collecting", "failures only", "stopped", "spot check")
"""What the place where one logs may look like."""

VIEWS = (*(f"screen {name}" for name in (*SIGNING, "open")), *BOARDS,
         *(f"sheet {name}" for name in SHEETS))  # fmt: skip


def each_view(tablet, views=VIEWS):
    """Bring the views up in turn, each on a page that was loaded anew: (name, selector).

    Screens come first, while no shift runs: a running one leads back to the board.
    """
    for view in sorted(views, key=lambda view: not view.startswith("screen")):
        tablet.set_up("counting", "every")
        tablet.reload()
        tablet.page.wait_for_function("() => document.body.dataset.on !== 'loading'")
        if not view.startswith("screen") and tablet.page.locator("#screen-open").is_visible():
            tablet.open_shift(counter=100)
        root = bring_up(tablet, view)
        tablet.page.wait_for_function("() => document.querySelector('.hit') === null")
        yield view, root


def all_sheets(page):
    """Return the names of all sheets that the page has."""
    return page.evaluate(
        "[...document.querySelectorAll('dialog')].map((one) => one.id.replace('sheet-', ''))"
    )


def bring_up(tablet, view):
    """Bring up a view; return the selector of its element."""
    kind, _, name = view.partition(" ")
    if kind == "screen":
        return _screen(tablet, name)
    if kind == "sheet":
        return _sheet(tablet, name)
    return BOARD[view](tablet)


def _screen(tablet, name):
    if name == "pin":
        tablet.page.evaluate("window.trialog.show('people')")
        tablet.page.locator("#people [data-person]:not([aria-current])").first.tap()
    else:
        tablet.page.evaluate(f"window.trialog.show('{name}')")
    expect(tablet.page.locator(f"#screen-{name}")).to_be_visible()
    return f"#screen-{name}"


def _sheet(tablet, name):
    before = {"doubt": _before_doubt, "halt": _before_halt, "undo": _before_undo}
    if name in before:
        before[name](tablet)
    else:
        tablet.page.evaluate(f"window.trialog.openSheet('{name}')")
    expect(tablet.page.locator(f"#sheet-{name}")).to_be_visible()
    return f"#sheet-{name}"


def _before_doubt(tablet):
    tablet.page.evaluate("window.trialog.openSheet('close')")
    tablet.type_digits("close", 7)
    tablet.page.locator("#close-send").tap()


def _before_halt(tablet):
    tablet.page.evaluate("window.trialog.halts.revoked()")


def _before_undo(tablet):
    before = tablet.logged()
    for name in ("slow return", "slow return"):
        tablet.fail(name)
    for _ in range(3):
        tablet.tap_good()
    tablet.await_logged(before + 5)
    tablet.page.evaluate("window.trialog.openSheet('undo')")


def _plain(tablet):
    return "#screen-board"


def _collecting(tablet):
    tablet.page.locator("#several").tap()
    tablet.page.locator('#modes [data-name="chips left"]').tap()
    return "#screen-board"


def _failures_only(tablet):
    tablet.set_up("counting", "failures")
    expect(tablet.page.locator("#reading")).to_be_visible()
    return "#screen-board"


def _stopped(tablet):
    tablet.fail("chips left")
    expect(tablet.page.locator("#stopped")).to_be_visible()
    return "#screen-board"


def _spot_check(tablet):
    tablet.page.evaluate("window.trialog.openSheet('check')")
    tablet.page.locator("#check-people button").first.tap()
    expect(tablet.page.locator("#screen-check")).to_be_visible()
    return "#screen-check"


BOARD = {
    "board": _plain,
    "collecting": _collecting,
    "failures only": _failures_only,
    "stopped": _stopped,
    "spot check": _spot_check,
}
