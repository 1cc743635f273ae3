"""Photos of failures: sent by tablets, kept once under their hash, shown to people."""

from __future__ import annotations

import hashlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import func, select, update

from trialog.records.database import unit_of_work
from trialog.records.models import Photo
from trialog.records.photos import LARGEST_PHOTO
from trialog.web.database import state

JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(range(256)) + b"\xff\xd9"


def name_of(content):
    return hashlib.sha256(content).hexdigest()


def send(tablet, content=JPEG, name=None, **options):
    path = f"/api/tablet/photos/{name or name_of(content)}"
    options = {"content_type": "image/jpeg"} | options
    return tablet.open("PUT", path, data=content, **options)


def refused(answer, status=422):
    assert answer.status_code == status, answer.text
    return answer.get_json()["error"]


def kept(session):
    session.rollback()
    return session.scalar(select(func.count()).select_from(Photo))


def test_a_photo_is_kept_under_its_hash(tablet, session):
    answer = send(tablet)
    assert answer.status_code == 200
    assert answer.get_json() == {"sha256": name_of(JPEG), "status": "stored"}
    photo = session.get(Photo, name_of(JPEG))
    assert (photo.content, photo.tablet_id) == (JPEG, tablet.id)


def test_a_photo_sent_again_is_kept_once(tablet, session):
    statuses = [send(tablet).get_json()["status"] for _ in range(2)]
    assert statuses == ["stored", "repeated"]
    assert kept(session) == 1


def test_a_photo_sent_many_times_at_once_is_kept_once(tablet, session):
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: send(tablet), range(4)))
    assert {answer.status_code for answer in answers} == {200}
    assert sorted(answer.get_json()["status"] for answer in answers) == [
        "repeated", "repeated", "repeated", "stored",
    ]  # fmt: skip
    assert kept(session) == 1


def test_bytes_of_another_hash_are_refused(tablet, session):
    assert refused(send(tablet, name="0" * 64))["field"] == "photo"
    assert kept(session) == 0


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xd8", b"<svg onload=alert(1)>", b"GIF89a\xff\xd8\xff", b"\x89PNG\r\n",
     b" " + JPEG],
)  # fmt: skip
def test_what_is_no_jpeg_is_refused(tablet, session, content):
    assert refused(send(tablet, content))["rule"] == "be a JPEG"
    assert kept(session) == 0


def frame(height, width, kind=0xC0):
    sides = height.to_bytes(2) + width.to_bytes(2)
    return b"\xff" + bytes([kind]) + b"\x00\x11\x08" + sides + b"\x03"


@pytest.mark.parametrize(
    "header",
    [frame(65535, 65535), frame(5000, 4001), frame(0, 1280), frame(65535, 65535, kind=0xC2),
     b"\x00\x00nonsense\xff" + frame(60000, 60000), frame(10, 10) + frame(60000, 60000)],
)  # fmt: skip
def test_a_small_file_that_claims_to_be_a_huge_picture_is_refused(tablet, session, header):
    bomb = JPEG[:20] + header + b"\xff\xd9"
    assert refused(send(tablet, bomb))["rule"] == "have at most 20,000,000 pixels"
    assert kept(session) == 0


def test_a_picture_of_the_size_that_tablets_make_is_taken(tablet, session):
    assert send(tablet, JPEG[:20] + frame(1280, 960) + b"\xff\xd9").status_code == 200
    assert send(tablet, JPEG[:20] + frame(5000, 4000) + b"\xff\xd9").status_code == 200
    assert kept(session) == 2


def test_a_tablet_that_has_sent_as_many_as_it_may_in_a_day_keeps_the_rest(
    app, tablet, session, monkeypatch
):
    settings = replace(state(app).settings, photos_a_day=2)
    monkeypatch.setitem(app.extensions, "trialog", replace(state(app), settings=settings))
    answers = [send(tablet, JPEG + bytes([number])).status_code for number in range(4)]
    assert answers == [200, 200, 429, 429]  # a status that the page tries again, and parks nothing
    assert kept(session) == 2
    assert send(tablet, JPEG + bytes([0])).status_code == 200  # a repeat is none more
    with unit_of_work(session):
        session.execute(update(Photo).values(stored_at=datetime.now(UTC) - timedelta(days=1)))
    assert send(tablet, JPEG + bytes([2])).status_code == 200


@pytest.mark.parametrize("name", ["x", "0" * 63, "A" * 64, "%00" * 64, "é" * 64, "..%2f" * 13])
def test_a_name_that_is_no_hash_is_refused(tablet, session, name):
    assert send(tablet, name=name).status_code in (404, 422)
    assert kept(session) == 0


def test_a_photo_may_be_six_hundred_kilobytes_and_no_more(tablet, session):
    whole = JPEG + bytes(LARGEST_PHOTO - len(JPEG))
    assert send(tablet, whole).status_code == 200
    assert refused(send(tablet, whole + b"\x00"))["rule"] == "be at most 600 kB"
    assert kept(session) == 1


def test_a_photo_of_a_length_that_nobody_said_is_held_to_the_limit_too(tablet, session):
    huge = JPEG + bytes(LARGEST_PHOTO)
    headers = {"Transfer-Encoding": "chunked"}
    environ = {"wsgi.input_terminated": True, "CONTENT_LENGTH": ""}
    answer = send(tablet, huge, headers=headers, environ_overrides=environ)
    assert answer.status_code in (413, 422)  # refused for its size, or cut off there
    assert kept(session) == 0


def test_a_revoked_tablet_sends_no_photo(tablet, session):
    tablet.revoke()
    refused(send(tablet), 401)
    assert kept(session) == 0


@pytest.mark.parametrize("who", ["operator", "engineer", "approver", "admin"])
def test_everybody_signed_in_sees_a_photo(tablet, request, who):
    send(tablet)
    answer = request.getfixturevalue(who).get(f"/photos/{name_of(JPEG)}")
    assert (answer.status_code, answer.data) == (200, JPEG)
    assert answer.content_type == "image/jpeg"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Cache-Control"] == "private, max-age=31536000, immutable"
    assert answer.headers["Content-Security-Policy"] == "default-src 'none'; sandbox"


def test_a_stranger_and_a_tablet_see_no_photo(tablet, stranger):
    send(tablet)
    path = f"/photos/{name_of(JPEG)}"
    assert stranger.get(path).status_code == 302
    assert tablet.open("GET", path, headers={"Accept": "application/json"}).status_code == 401


@pytest.mark.parametrize("name", ["0" * 64, "x", "%00", "A" * 64, "é"])
def test_a_photo_that_is_not_there_is_not_found(operator, name):
    answer = operator.get(f"/photos/{name}")
    assert answer.status_code == 404
    assert answer.headers["Cache-Control"] == "no-store"
