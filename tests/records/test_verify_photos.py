"""Verify looks at photos too: their bytes, and that those which the logbook names are there."""

import hashlib

import pytest
from sqlalchemy import delete, update
from support.cells import failed, opening, undo

from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.models import Photo, Tablet
from trialog.records.photos import store_photo
from trialog.records.words import EntryKind

JPEG = b"\xff\xd8\xff and what the camera saw"
SHA256 = hashlib.sha256(JPEG).hexdigest()


@pytest.fixture
def kept(logbook, cell, session, now):
    """A logbook with a failed cycle and its photo."""
    tap = failed("A", cell.chips)
    with unit_of_work(session):
        tablet = Tablet(name="blue tablet", key_hash="nobody's", enrolled_at=now)
        session.add(tablet)
        session.flush()
        store_photo(session, SHA256, JPEG, tablet=tablet, now=now)
    photo = NewEntry(
        client_id="photo", kind=EntryKind.PHOTO, target=tap.client_id, photo=SHA256,
        tablet_id=tablet.id, tablet_number=1,
    )  # fmt: skip
    logbook.write(opening("A"), tap, photo)
    return logbook


def test_a_photo_that_is_there_as_it_was_sent_verifies(kept):
    assert kept.verify() == []


def test_changed_bytes_are_found(kept):
    other = b"\xff\xd8\xff something else"
    kept.session.execute(update(Photo).values(content=other))
    kept.session.commit()
    (found,) = kept.verify()
    assert found.where == f"photo {SHA256}"
    assert (
        found.what == f"its bytes were changed: their hash is {hashlib.sha256(other).hexdigest()}"
    )


def test_a_photo_that_is_gone_is_found(kept):
    kept.session.execute(delete(Photo))
    kept.session.commit()
    gone, found = kept.verify()
    assert gone.where == f"photo {SHA256}"
    assert gone.what.startswith("was removed behind the application's back; event ")
    assert found.where == "cell 'Lathe 4', photos"
    assert found.what == f"the photo {SHA256} that line 3 names is not in the records"


def test_a_photo_whose_line_was_undone_may_be_gone(kept):
    """Taken out by the application itself, that is: the audit says so."""
    kept.write(undo("photo"))
    kept.session.delete(kept.session.get_one(Photo, SHA256))
    kept.session.commit()
    assert kept.verify() == []
