"""What the board offers beyond cycles: shifts without a network, spot checks, notes, conditions,
and the settings of a tablet."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect
from support.reading import logbook

from trialog.records.words import EntryKind

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


# ── Opening and closing without a network ────────────────────────────────────────────────────


def test_shifts_open_and_close_without_a_network(board, session):
    page = board.page
    board.await_saved()
    page.context.set_offline(True)
    board.tap_good()
    board.close_shift(counter=501)
    expect(page.locator("#halt-words")).to_contain_text("kept on this tablet")
    page.locator("#halt-go").tap()
    page.locator("#open-details").tap()
    page.locator('#sheet-open [data-start="cold start"]').tap()
    page.fill("#open-lot", "coil 7")
    page.locator("#sheet-open [data-close]").tap()
    board.open_shift(counter=501)
    board.tap_good()
    board.await_logged(1)
    expect(page.locator("#saved-words")).to_have_text("6 not yet saved")
    page.context.set_offline(False)
    board.await_saved()
    kinds = [str(entry.kind) for entry in logbook(session)]
    assert kinds == ["open", "good", "close", "open", "condition", "condition", "good"]
    labels = {entry.shift.label for entry in logbook(session, EntryKind.SHIFT_OPENED)}
    assert len(labels) == 2


def test_what_is_unsent_is_listed_with_since_when_and_why(board):
    board.await_saved()
    board.page.context.set_offline(True)
    board.tap_good()
    board.fail("slow return")
    expect(board.page.locator("#saved-why")).to_have_text(
        re.compile(r"since \d\d:\d\d · No network")
    )
    board.page.locator("#saved").tap()
    expect(board.page.locator("#unsent-why")).to_contain_text("no network")
    lines = board.page.locator("#unsent-lines li b")
    expect(lines).to_have_text(["failed cycle 2, slow return", "good cycle 1"])
    board.page.locator("#sheet-unsent [data-close]").tap()
    board.page.context.set_offline(False)
    board.await_saved()


# ── A second person's spot check ─────────────────────────────────────────────────────────────


def test_a_spot_check_looks_different_and_counts_nothing(board, session, people):
    board.tap_good()
    board.open_more("check")
    names = board.page.locator("#check-people button:not([data-close])").all_text_contents()
    assert people.operator.name not in names
    board.page.locator("#check-people").get_by_role("button", name=people.engineer.name).tap()
    expect(board.page.locator("#check-heading")).to_have_text(
        "Spot check: these taps are not counted"
    )
    expect(board.page.locator("#screen-board")).to_be_hidden()
    board.page.locator("#check-good").tap()
    board.page.locator('#check-modes [data-name="chips left"]').tap()
    board.page.locator("#check-good").tap()
    expect(board.page.locator("#check-count")).to_have_text("3")
    board.page.locator("#check-undo").tap()
    expect(board.page.locator("#check-count")).to_have_text("2")
    board.page.locator("#check-end").tap()
    assert board.logged() == 1
    assert board.failed() == 0
    board.await_saved()
    checks = logbook(session, EntryKind.CHECK)
    assert {check.person_id for check in checks} == {people.engineer.id}
    assert [[mode.name for mode in check.modes] for check in checks] == [[], ["chips left"], []]
    expect(board.page.locator("#last")).to_have_text("Last: good cycle 1")


# ── Notes and conditions ─────────────────────────────────────────────────────────────────────


def test_a_note_comes_from_a_list_or_is_typed_and_stays_in_the_list(board, session):
    board.open_more("note")
    board.page.locator("#note-phrases").get_by_role("button", name="Coolant topped up").tap()
    board.note("belt squeaks")
    # It comes into the list once its line is on the disk.
    board.page.wait_for_function("() => (window.trialog.store.get('notes') || []).length === 1")
    board.open_more("note")
    expect(board.page.locator("#note-phrases button").first).to_have_text("belt squeaks")
    board.page.locator("#note-phrases button").first.tap()
    board.page.wait_for_function("() => window.trialog.shift.standing().recent.length === 3")
    board.await_saved()
    texts = [entry.text for entry in logbook(session, EntryKind.NOTE)]
    assert texts == ["Coolant topped up", "belt squeaks", "belt squeaks"]


def test_a_condition_is_two_taps_from_the_board(board, session):
    board.page.locator(".condition").tap()
    board.page.locator('[data-condition="tool change"]').tap()
    expect(board.page.locator("#last")).to_have_text("Last: tool change")
    board.await_saved()
    (line,) = logbook(session, EntryKind.CONDITION)
    assert str(line.condition) == "tool change"


# ── People, settings, help ───────────────────────────────────────────────────────────────────


def test_handing_over_to_somebody_who_was_here_takes_two_taps(board, session, people):
    page = board.page
    page.locator("#hand-over").tap()
    board.sign_in(people.engineer, people.pin(people.engineer))
    board.skip_guide()
    board.tap_good()
    board.await_logged(1)
    page.locator("#hand-over").tap()
    page.locator(f"#people [data-person='{people.operator.id}']").tap()
    expect(page.locator("#who")).to_have_text(people.operator.name)
    board.tap_good()
    board.await_logged(2)
    board.await_saved()
    persons = [entry.person_id for entry in logbook(session, EntryKind.GOOD)]
    assert persons == [people.engineer.id, people.operator.id]


def test_the_page_speaks_spanish_and_looks_dark_at_a_tap_and_still_after_a_reload(board):
    board.open_more("tablet")
    board.page.locator("[data-language=es]").tap()
    expect(board.page.locator("#tablet-title")).to_have_text("Esta tableta")
    board.page.locator("#sheet-tablet [data-theme=dark]").tap()
    board.page.locator("#sheet-tablet [data-close]").tap()
    board.reload()
    board.await_board()
    expect(board.page.locator("#good-name")).to_have_text("Ciclo bueno")
    assert board.page.evaluate("document.documentElement.dataset.theme") == "dark"
    board.tap_good()
    expect(board.page.locator("#last")).to_have_text("Último: ciclo bueno 1")


def test_the_help_is_shown_once_to_everybody_and_again_on_demand(board):
    board.reload()
    board.await_board()
    expect(board.page.locator("#sheet-guide")).to_be_hidden()
    board.open_more("tablet")
    board.page.locator("[data-sheet=guide]").tap()
    for step in range(1, 5):
        expect(board.page.locator("#guide-step")).to_have_text(f"Step {step} of 4")
        board.page.locator("#guide-next").tap()
    expect(board.page.locator("#sheet-guide")).to_be_hidden()


def test_a_clock_that_is_off_is_shown(board):
    board.page.evaluate(
        "() => { const now = Date.now; Date.now = () => now() + 125000; "
        "window.trialog.tablet.refresh(); }"
    )
    expect(board.page.locator("#clock-off")).to_have_text(re.compile(r"Tablet clock 2:0\d ahead"))


def test_a_revoked_tablet_keeps_its_taps_and_asks_for_a_code(board):
    board.await_saved()
    board.page.route(
        "**/api/tablet/**",
        lambda route: route.fulfill(
            status=401, json={"error": {"message": "the tablet is not known", "field": "key"}}
        ),
    )
    board.tap_good()
    expect(board.page.locator("#halt-title")).to_have_text("This tablet was revoked")
    board.await_settled("halt")
    board.page.locator("#halt-go").tap()
    expect(board.page.locator("#screen-enrol")).to_be_visible()
    board.page.locator("#screen-enrol .go-back").tap()
    expect(board.page.locator("#banner")).to_contain_text("Taps are kept here")
    board.tap_good()
    board.await_logged(2)
    expect(board.page.locator("#saved-words")).to_have_text("2 not yet saved")
