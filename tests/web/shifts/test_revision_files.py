"""A photo or file that shows what was changed."""

from __future__ import annotations

from datetime import UTC, datetime
from io import BytesIO

import pytest
from sqlalchemy import select
from support.cells import log_shift

from trialog.records.database import unit_of_work
from trialog.records.files import file_of
from trialog.records.models import Entry, Photo

CLIENT_ID = "0a1b2c3d-0000-4000-8000-000000000001"
PAGE = b"<script>alert(1)</script>"


def path(cell):
    return f"/cells/{cell.id}/revisions/new"


def record(visitor, cell, content=PAGE, filename="nozzle.html", **fields):
    data = {
        "client_id": CLIENT_ID, "device": cell.jet.id, "what": "wider nozzle", "resets": "resets",
        "reason": "", "at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M}",
    }  # fmt: skip
    upload = {"file": (BytesIO(content), filename)} if filename else {}
    return visitor.post(path(cell), data | upload | fields, content_type="multipart/form-data")


def files(session):
    session.rollback()
    return session.scalars(select(Photo)).all()


def named(session):
    """Return what the logbook's lines name."""
    session.rollback()
    return session.scalars(select(Entry.photo)).all()


def test_a_file_goes_with_the_revision_and_can_be_downloaded(engineer, operator, session, cell):
    assert record(engineer, cell, filename="Düse 3.html").status_code == 302
    (kept,) = files(session)
    assert named(session) == [kept.sha256]
    page = engineer.get(path(cell)).text
    assert f'href="/files/{kept.sha256}"' in page
    assert "Download Düse 3.html" in page
    assert operator.get(f"/files/{kept.sha256}").data == PAGE


def test_whatever_is_in_it_a_file_is_never_opened_in_place(engineer, session, cell):
    record(engineer, cell)
    answer = engineer.get(f"/files/{files(session)[0].sha256}")
    assert answer.headers["Content-Disposition"] == "attachment; filename=nozzle.html"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Content-Security-Policy"] == "default-src 'none'; sandbox"
    assert answer.headers["Cache-Control"] == "no-store"
    assert engineer.get(f"/photos/{files(session)[0].sha256}").status_code == 404


@pytest.mark.parametrize("name", ["0" * 64, "x", "..%2F..%2Fetc%2Fpasswd"])
def test_there_is_nothing_under_another_hash(engineer, cell, name):
    assert engineer.get(f"/files/{name}").status_code == 404


def test_no_stranger_gets_a_file(engineer, stranger, session, cell):
    record(engineer, cell)
    assert stranger.get(f"/files/{files(session)[0].sha256}").status_code == 302


def test_a_revision_needs_no_file(engineer, session, cell):
    assert record(engineer, cell, filename="").status_code == 302
    assert named(session) == [None]


def test_the_same_form_sent_twice_writes_one_revision_and_one_file(engineer, session, cell):
    at = f"{datetime.now(UTC):%Y-%m-%dT%H:%M}"
    for _ in range(2):
        assert record(engineer, cell, at=at).status_code == 302
    assert len(files(session)) == len(named(session)) == 1


@pytest.mark.parametrize(
    ("upload", "words"),
    [
        ({"content": b""}, "Must not be empty"),
        ({"filename": "/"}, "Must have a name of printable characters"),
    ],
    ids=["empty", "strange name"],
)
def test_a_file_that_cannot_be_kept_is_refused_beside_its_field(
    engineer, session, cell, upload, words
):
    answer = record(engineer, cell, **upload)
    assert answer.status_code == 422
    assert words in answer.text
    assert files(session) == []
    assert named(session) == []


def test_a_form_that_needs_mending_need_not_choose_its_file_again(engineer, session, cell):
    answer = record(engineer, cell, what=" ")
    assert answer.status_code == 422
    assert "nozzle.html is kept and goes with this revision" in answer.text
    (kept,) = files(session)
    assert record(engineer, cell, filename="", kept=kept.sha256).status_code == 302
    assert named(session) == [kept.sha256]


@pytest.mark.parametrize("kept", ["x", "0" * 64])
def test_a_form_cannot_name_a_file_that_is_not_kept(engineer, session, cell, kept):
    answer = record(engineer, cell, filename="", kept=kept)
    assert answer.status_code == 422
    assert named(session) == []


def test_a_file_that_these_records_lack_is_told(engineer, session, cell):
    record(engineer, cell)
    (kept,) = files(session)
    with unit_of_work(session):
        session.delete(file_of(session, kept.sha256))
    assert "Its photo or file is not in these records." in engineer.get(path(cell)).text


def test_before_and_after_stand_on_the_page_once_cycles_were_run(engineer, session, cell, now):
    record(engineer, cell)
    assert "Before and after" not in engineer.get(path(cell)).text
    log_shift(session, cell, "A", now=now, good=10)
    page = engineer.get(path(cell)).text
    assert "Failures of jet under each revision, by hand" in page
    assert "1 change recorded. No two of the states have cycles" in page
    assert page.count("Download nozzle.html") == 2
