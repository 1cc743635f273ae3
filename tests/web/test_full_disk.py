"""A disk that is full: what does not fit is refused whole and in words, and goes in later.

SQLite is kept from growing by its own limit of pages, which fails as a full disk does; on
PostgreSQL a trigger fails with the state that its server reports then.
"""

from __future__ import annotations

import hashlib

import pytest
from sqlalchemy import event, func, select, text
from support.cells import log_shift
from support.enrolled import Enrolled

from trialog.records.base import Base
from trialog.records.models import Entry, Person, Photo
from trialog.records.verify import verify
from trialog.web.database import get_session, state
from trialog.web.security import public

PHOTO = b"\xff\xd8\xff" + bytes(range(256)) * 800
NO_ROOM = """CREATE FUNCTION no_room() RETURNS trigger LANGUAGE plpgsql AS
    $$ BEGIN RAISE EXCEPTION 'could not extend file' USING ERRCODE = 'disk_full'; END $$"""


class Disk:
    """The disk of an app's database, to be filled up and emptied."""

    def __init__(self, app, session):
        self._engine, self._session, self._most = state(app).engine, session, 2**30
        if self._engine.dialect.name == "sqlite":
            event.listen(self._engine, "checkout", self._limit)

    def _limit(self, connection, *_):
        connection.execute(f"PRAGMA max_page_count = {self._most}")

    def fill(self):
        if self._engine.dialect.name == "sqlite":
            self._most = 1  # SQLite takes it for as many as there are
            return
        self._do(NO_ROOM, *(
            f"CREATE TRIGGER no_room BEFORE INSERT ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION no_room()"
            for table in ("entry", "photo")
        ))  # fmt: skip

    def make_room(self):
        self._most = 2**30
        if self._engine.dialect.name != "sqlite":
            self._do("DROP FUNCTION no_room CASCADE")

    def _do(self, *statements):
        for statement in statements:
            self._session.execute(text(statement))
        self._session.commit()


@pytest.fixture
def disk(app, session):
    return Disk(app, session)


@pytest.fixture
def tablet(app, session, people, cell, now):
    log_shift(session, cell, "early A", now=now, good=1, closed=False)
    tablet = Enrolled(app, session, people.engineer, cell=cell.cell)
    tablet.person = people.operator
    return tablet


def rows(session):
    """Count the rows of every table."""
    session.rollback()
    return {
        table.name: session.scalar(select(func.count()).select_from(table))
        for table in Base.metadata.sorted_tables
    }


def assert_refused(answer):
    assert answer.status_code == 503
    assert "disk is full" in answer.get_json()["error"]["message"]
    assert "nothing was half-written" in answer.get_json()["error"]["message"]


def test_lines_that_do_not_fit_are_refused_whole_and_go_in_once_there_is_room(
    disk, tablet, session, caplog
):
    lines = [tablet.tap("note", text=f"{number} " + "x" * 1500) for number in range(100)]
    before = rows(session)
    disk.fill()
    for _ in range(2):
        assert_refused(tablet.send(*lines))
    assert rows(session) == before
    assert "the disk is full at /api/tablet/entries" in caplog.text
    disk.make_room()
    taken = tablet.send(*lines).get_json()["entries"]
    assert {one["status"] for one in taken} == {"added"}
    assert rows(session)["entry"] == before["entry"] + 100
    assert [one["status"] for one in tablet.send(lines[0]).get_json()["entries"]] == ["repeated"]
    assert verify(session) == []


def test_a_photo_that_does_not_fit_is_refused_and_goes_in_once_there_is_room(disk, tablet, session):
    name = hashlib.sha256(PHOTO).hexdigest()
    before = rows(session)
    disk.fill()
    assert_refused(tablet.open("PUT", f"/api/tablet/photos/{name}", data=PHOTO))
    assert rows(session) == before
    disk.make_room()
    sent = tablet.open("PUT", f"/api/tablet/photos/{name}", data=PHOTO)
    assert sent.get_json()["status"] == "stored"
    session.rollback()
    assert session.get(Photo, name).content == PHOTO


def test_what_was_logged_can_be_read_while_the_disk_is_full(disk, tablet, operator, session):
    disk.fill()
    assert_refused(tablet.send(*(tablet.tap("note", text="x" * 1900) for _ in range(100))))
    assert operator.get(f"/cells/{tablet.cell.id}").status_code == 200
    assert session.scalar(select(func.count()).select_from(Entry)) == 2


def test_the_page_says_so(app, disk, operator):
    disk.fill()

    @public
    def fill_up():
        session = get_session()
        session.execute(select(Person.id))
        session.add(Photo(sha256="0" * 64, content=PHOTO, stored_at=func.now()))
        session.flush()

    app.add_url_rule("/extra", "extra", fill_up)
    page = operator.get("/extra")
    assert page.status_code == 503
    assert "<h1>The disk is full</h1>" in page.text
    assert "has to make room" in page.text
    assert page.headers["X-Request-Id"] in page.text
    disk.make_room()
