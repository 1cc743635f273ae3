"""Photos and files that are kept with a revision."""

from __future__ import annotations

import hashlib

import pytest
from sqlalchemy import select
from support.cells import revision, write

from trialog.errors import InvalidValueError
from trialog.records.database import unit_of_work
from trialog.records.files import LARGEST_FILE, file_of, store_file
from trialog.records.models import AuditEvent, Entry, Photo, Tablet
from trialog.records.photos import JPEG_BEGINS, photo_of, store_photo
from trialog.records.verify import verify
from trialog.records.words import EntryKind

DRAWING = b"%PDF-1.7 a drawing"


@pytest.fixture
def keep(session, people, now):
    def store(content=DRAWING, filename="nozzle.pdf"):
        with unit_of_work(session):
            return store_file(session, filename, content, actor=people.engineer, now=now)

    return store


def test_a_file_is_kept_under_its_hash_with_name_and_type(session, keep):
    sha256 = keep()
    assert sha256 == hashlib.sha256(DRAWING).hexdigest()
    kept = file_of(session, sha256)
    assert (kept.content, kept.filename, kept.media_type) == (
        DRAWING, "nozzle.pdf", "application/pdf",
    )  # fmt: skip


def test_who_kept_it_is_on_record(session, keep, people):
    sha256 = keep()
    (event,) = session.scalars(select(AuditEvent).where(AuditEvent.subject == "file"))
    assert (event.action, event.person_id) == ("stored", people.engineer.id)
    assert event.details == {"sha256": sha256, "filename": "nozzle.pdf", "bytes": len(DRAWING)}


def test_the_same_bytes_are_kept_once_as_they_were_first_named(session, keep):
    assert keep(filename="a.pdf") == keep(filename="b.pdf")
    assert [file.filename for file in session.scalars(select(Photo))] == ["a.pdf"]
    events = session.scalars(select(AuditEvent).where(AuditEvent.subject == "file"))
    assert len(events.all()) == 1


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("C:\\Fotos\\nozzle.jpg", "nozzle.jpg"),
        ("../../etc/passwd", "passwd"),
        (" plan ü.png ", "plan ü.png"),
        ("x" * 300 + ".jpeg", "x" * 115 + ".jpeg"),
        ("x" * 300, "x" * 120),
    ],
)
def test_only_the_name_itself_is_kept_of_a_path(session, keep, given, kept):
    assert file_of(session, keep(filename=given)).filename == kept


@pytest.mark.parametrize("name", ["", " ", "/", "a\r\nSet-Cookie: b", "a\x00.jpg"])
def test_a_name_that_cannot_be_shown_is_refused(session, keep, name):
    with pytest.raises(InvalidValueError, match="file must have a name of printable characters"):
        keep(filename=name)
    assert session.scalars(select(Photo)).all() == []


@pytest.mark.parametrize(
    ("name", "media_type"),
    [("a.JPG", "image/jpeg"), ("a.nonsense", "application/octet-stream"),
     ("a", "application/octet-stream")],
)  # fmt: skip
def test_the_type_follows_from_the_ending(session, keep, name, media_type):
    assert file_of(session, keep(filename=name)).media_type == media_type


@pytest.mark.parametrize(
    ("content", "words"),
    [(b"", "file must not be empty"),
     (b"x" * (LARGEST_FILE + 1), "file must be at most 5 MB, got '5,242,881 bytes'")],
    ids=["empty", "too large"],
)  # fmt: skip
def test_an_empty_or_huge_file_is_refused(session, keep, content, words):
    with pytest.raises(InvalidValueError, match=words):
        keep(content)
    assert session.scalars(select(Photo)).all() == []


@pytest.mark.parametrize("sha256", ["", "../x", "0" * 64])
def test_there_is_no_file_of_another_hash(session, sha256):
    assert file_of(session, sha256) is None


def test_of_two_who_send_the_same_file_at_once_the_second_changes_nothing(
    session, keep, monkeypatch
):
    sha256 = keep()
    with monkeypatch.context() as patch:
        patch.setattr(session, "get", lambda *_: None)  # as before the first one had committed
        assert keep(filename="second.pdf") == sha256
    assert file_of(session, sha256).filename == "nozzle.pdf"


def test_a_revision_names_its_file_and_the_chain_protects_that(session, cell, keep, people, now):
    sha256 = keep()
    line = revision(cell.jet, photo=sha256)
    write(session, cell, line, actor=people.engineer, now=now)
    entry = session.scalar(select(Entry).where(Entry.kind == EntryKind.REVISION))
    assert entry.photo == sha256
    assert verify(session) == []
    with unit_of_work(session):
        entry.photo = "0" * 64
    assert any("was changed after it was written" in found.what for found in verify(session))


def test_a_revision_without_a_hash_for_its_file_is_refused(session, cell, people, now):
    with pytest.raises(Exception, match="photo must be a file's SHA-256 in hex"):
        write(session, cell, revision(cell.jet, photo="nozzle.jpg"), actor=people.engineer,
              now=now)  # fmt: skip


def test_a_named_file_that_went_missing_is_found(session, cell, keep, people, now):
    sha256 = keep()
    write(session, cell, revision(cell.jet, photo=sha256), actor=people.engineer, now=now)
    with unit_of_work(session):
        session.delete(file_of(session, sha256))
    assert any(sha256 in found.what for found in verify(session))


def test_a_file_of_a_revision_is_no_photo_of_a_failure(session, cell, keep, people, now):
    content = JPEG_BEGINS + b"the nozzle"
    sha256 = keep(content, "nozzle.jpg")
    assert photo_of(session, sha256) is None
    with unit_of_work(session):
        tablet = Tablet(name="blue", key_hash="blue", enrolled_at=now)
        session.add(tablet)
        session.flush()
        assert store_photo(session, sha256, content, tablet=tablet, now=now) is False
