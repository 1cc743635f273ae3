"""What the board offers beyond one tap for one cycle: clear times, the counter, spot checks,
photos, notes, conditions, and the settings of a tablet."""

from __future__ import annotations

import io
import re

import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import expect
from sqlalchemy import select

from trialog.records.models import Entry, Photo
from trialog.records.words import EntryKind

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")

OPENING = 500


@pytest.fixture
def board(tablet_on):
    """Return a tablet on whose board the operator logs, the counter having stood at 500."""
    tablet = tablet_on()
    tablet.open_shift(counter=OPENING)
    return tablet


def logbook(session, *kinds):
    session.rollback()
    statement = select(Entry).order_by(Entry.sequence)
    return [entry for entry in session.scalars(statement) if not kinds or entry.kind in kinds]


def count_failures_only(board):
    board.open_more("tablet")
    board.page.tap("#sheet-tablet [data-counting=failures]")
    board.page.tap("#sheet-tablet [data-close]")
    expect(board.page.locator("#reading")).to_be_visible()


def read_counter(board, reading):
    board.type_digits("counter", reading)
    board.page.locator("#counter-log").tap()


# ── The clear time ───────────────────────────────────────────────────────────────────────────


def test_the_good_cycle_after_a_failure_that_stops_the_cell_logs_the_stop(board, session):
    board.fail("dropped part")
    expect(board.page.locator("#stopped-for")).to_have_text(re.compile(r"Stopped for 0:0\d"))
    board.tap_good()
    board.await_logged(2)
    expect(board.page.locator("#stopped")).to_be_hidden()
    board.await_saved()
    kinds = [entry.kind for entry in logbook(session)]
    assert kinds == [EntryKind.SHIFT_OPENED, EntryKind.FAILED, EntryKind.STOP, EntryKind.GOOD]
    (stop,) = logbook(session, EntryKind.STOP)
    assert 0 <= stop.clear_seconds < 30


def test_a_nuisance_starts_no_clock(board, session):
    board.fail("slow return")
    board.await_logged(1)
    expect(board.page.locator("#stopped")).to_be_hidden()
    board.tap_good()
    board.await_saved()
    assert logbook(session, EntryKind.STOP) == []


def test_the_clock_runs_on_after_a_reload_and_ends_with_an_undone_failure(board, session):
    board.fail("chips left")
    expect(board.page.locator("#stopped")).to_be_visible()
    board.reload()
    board.await_board()
    expect(board.page.locator("#stopped")).to_be_visible()
    board.page.locator(".undo").tap()
    board.page.locator(".undo-line").first.tap()
    expect(board.page.locator("#stopped")).to_be_hidden()
    board.tap_good()
    board.await_saved()
    assert logbook(session, EntryKind.STOP) == []


def test_undoing_the_stop_lets_its_clock_go_on(board):
    board.fail("dropped part")
    board.tap_good()
    board.await_logged(2)
    board.page.locator(".undo").tap()
    board.page.locator(".undo-line", has_text="to clear").tap()
    expect(board.page.locator("#stopped")).to_be_visible()


# ── The counter, and counting failures only ──────────────────────────────────────────────────


def test_a_reading_in_between_logs_what_nobody_tapped(board, session):
    board.tap_good()
    board.open_more("counter")
    board.type_digits("counter", 504)
    expect(board.page.locator("#counter-words")).to_contain_text("3 cycles were counted")
    board.page.locator("#counter-log").tap()
    board.await_logged(4)
    board.await_saved()
    first, second = logbook(session, EntryKind.GOOD)
    assert (first.cycles, second.cycles, second.counter) == (1, 3, 504)


def test_a_reading_below_the_count_says_so_and_logs_nothing(board):
    for _ in range(3):
        board.tap_good()
    board.await_logged(3)
    board.open_more("counter")
    board.type_digits("counter", 501)
    expect(board.page.locator("#counter-words")).to_contain_text("2 cycles fewer")
    expect(board.page.locator("#counter-log")).to_be_disabled()


def test_with_failures_only_the_counter_takes_the_place_of_the_good_cycle(board, session):
    count_failures_only(board)
    expect(board.page.locator("#good")).to_be_hidden()
    board.fail("slow return")
    expect(board.page.locator("#reading-failed")).to_have_text("1")
    board.page.locator("#reading").tap()
    read_counter(board, 510)
    expect(board.page.locator("#reading-logged")).to_have_text("10")
    board.await_saved()
    (failed,) = logbook(session, EntryKind.FAILED)
    (good,) = logbook(session, EntryKind.GOOD)
    assert (failed.cycle_number, good.cycles) == (None, 9)


def test_with_failures_only_running_again_ends_the_stop(board, session):
    count_failures_only(board)
    board.fail("dropped part")
    expect(board.page.locator("#again")).to_be_visible()
    board.page.locator("#again").tap()
    expect(board.page.locator("#reading")).to_be_visible()
    expect(board.page.locator("#reading-last")).to_contain_text("to clear")
    board.await_saved()
    assert len(logbook(session, EntryKind.STOP)) == 1
    assert logbook(session, EntryKind.GOOD) == []


def test_with_failures_only_the_closing_reading_logs_the_good_cycles_first(board, session):
    count_failures_only(board)
    board.open_more("close")
    board.type_digits("close", 520)
    expect(board.page.locator("#close-words")).to_contain_text("20 good cycles will be logged")
    board.page.locator("#close-send").tap()
    expect(board.page.locator("#halt-words")).to_contain_text("20 cycles logged")
    expect(board.page.locator("#halt-words")).to_contain_text("saved on the server")
    good, closing = logbook(session, EntryKind.GOOD, EntryKind.SHIFT_CLOSED)
    assert (good.cycles, closing.counter) == (20, 520)


def test_failures_only_needs_an_opening_reading(tablet_on):
    tablet = tablet_on()
    tablet.page.locator("#open-details").tap()
    tablet.page.locator("#sheet-open [data-counting=failures]").tap()
    tablet.page.locator("#sheet-open [data-close]").tap()
    expect(tablet.page.locator("#open-go")).to_be_disabled()
    expect(tablet.page.locator("#open-problem")).to_contain_text("needs an opening reading")


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
    lines = board.page.locator("#unsent-lines li b").all_text_contents()
    assert lines == ["failed cycle 2, slow return", "good cycle 1"]
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


# ── A photo of the last failure ──────────────────────────────────────────────────────────────


@pytest.fixture
def camera_picture(tmp_path):
    """Return a picture as a camera makes it: large, and with where it was taken written in."""
    picture = Image.effect_noise((4000, 3000), 30).convert("RGB")
    ImageDraw.Draw(picture).ellipse((900, 700, 3100, 2300), fill=(200, 40, 40))
    exif = Image.Exif()
    exif[0x010E] = "a secret place"
    exif[0x0112] = 6  # turned by a quarter
    path = tmp_path / "camera.jpg"
    picture.save(path, quality=92, exif=exif)
    return path


def test_a_photo_is_made_small_and_loses_what_the_camera_wrote(board, session, camera_picture):
    board.fail("chips left")
    board.open_more("photo")
    expect(board.page.locator("#photo-of")).to_contain_text("failed cycle 1, chips left")
    expect(board.page.locator("#photo-save")).to_be_disabled()
    board.page.set_input_files("#photo-file", camera_picture)
    expect(board.page.locator("#photo-words")).to_contain_text("960 × 1,280 pixels")
    board.page.locator("#photo-save").tap()
    expect(board.page.locator("#last")).to_have_text("Last: photo")
    board.await_saved()
    (line,) = logbook(session, EntryKind.PHOTO)
    (failed,) = logbook(session, EntryKind.FAILED)
    photo = session.scalars(select(Photo)).one()
    assert (line.target, line.photo) == (failed.client_id, photo.sha256)
    assert len(photo.content) <= 300_000
    stored = Image.open(io.BytesIO(photo.content))
    assert stored.size == (960, 1280)  # as it was held, not as the sensor lay
    assert dict(stored.getexif()) == {}
    assert b"secret" not in photo.content


def test_a_file_that_is_no_picture_is_not_taken(board, tmp_path):
    board.fail("chips left")
    board.open_more("photo")
    path = tmp_path / "notes.jpg"
    path.write_text("no picture")
    board.page.set_input_files("#photo-file", path)
    expect(board.page.locator("#photo-words")).to_contain_text("cannot be read")
    expect(board.page.locator("#photo-save")).to_be_disabled()


def test_without_a_failure_there_is_nothing_to_photograph(board):
    board.open_more("photo")
    expect(board.page.locator("#photo-words")).to_contain_text("no failed cycle")
    expect(board.page.locator("#photo-take")).to_be_hidden()


# ── Notes and conditions ─────────────────────────────────────────────────────────────────────


def test_a_note_comes_from_a_list_or_is_typed_and_stays_in_the_list(board, session):
    board.open_more("note")
    board.page.locator("#note-phrases").get_by_role("button", name="Coolant topped up").tap()
    board.note("belt squeaks")
    board.open_more("note")
    expect(board.page.locator("#note-phrases button").first).to_have_text("belt squeaks")
    board.page.locator("#note-phrases button").first.tap()
    board.page.wait_for_function("window.trialog.shift.standing().recent.length === 3")
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
    board.page.wait_for_timeout(800)  # a sheet that nobody asked for takes no taps at first
    board.page.locator("#halt-go").tap()
    expect(board.page.locator("#screen-enrol")).to_be_visible()
    board.page.locator("#screen-enrol .go-back").tap()
    expect(board.page.locator("#banner")).to_contain_text("Taps are kept here")
    board.tap_good()
    board.await_logged(2)
    expect(board.page.locator("#saved-words")).to_have_text("2 not yet saved")
