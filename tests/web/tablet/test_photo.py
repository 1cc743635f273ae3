"""A photo of the last failure: made small, and without what the camera wrote beside it."""

from __future__ import annotations

import io

import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import expect
from sqlalchemy import select
from support.reading import logbook

from trialog.records.models import Photo
from trialog.records.words import EntryKind

# The browser does not know which database answers; the server's tests run on both.
pytestmark = pytest.mark.database("sqlite")


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
