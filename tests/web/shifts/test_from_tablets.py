"""A shift that tablets logged, on its page and on a trial's: photos, what was not taken, words."""

from __future__ import annotations

import hashlib
import json

import pytest
from sqlalchemy import select
from support.enrolled import Enrolled

from trialog.records.models import Shift

JPEG = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(range(256)) + b"\xff\xd9"
SHA256 = hashlib.sha256(JPEG).hexdigest()


@pytest.fixture
def tablet(app, session, people, cell):
    tablet = Enrolled(app, session, people.engineer, cell=cell.cell)
    tablet.person = people.operator
    return tablet


@pytest.fixture
def shift(tablet, session, cell):
    """A shift with a photo of its failed cycle, spot checks, and a line that was not taken."""
    failed = tablet.tap("failed", cycles=1, modes=[cell.chips.id])
    assert (
        tablet.open(
            "PUT", f"/api/tablet/photos/{SHA256}", data=JPEG, content_type="image/jpeg"
        ).status_code
        == 200
    )
    answer = tablet.send(
        tablet.tap("open", stage="by hand", counter=10),
        tablet.tap("good", cycles=3),
        failed,
        tablet.tap("photo", target=failed["client_id"], photo=SHA256),
        tablet.tap("good", counter=20),
        tablet.tap("good", counter=20),
        tablet.tap("check", cycles=4),
        tablet.tap("check", cycles=1, cycle_number=4, modes=[cell.chips.id]),
        tablet.tap("good", cycles=0),
    )
    assert [line["status"] for line in answer.get_json()["entries"]][-2:] == ["added", "parked"]
    session.rollback()
    return session.scalars(select(Shift)).one()


def test_the_page_shows_the_photo_and_the_document_holds_it(operator, shift):
    page = operator.get(f"/shifts/{shift.id}")
    assert f'<img src="/photos/{SHA256}" alt="Photo of failed cycle 4, chips left, taken by' in (
        page.text
    )
    assert "data:image" not in page.text
    assert operator.get(f"/photos/{SHA256}").data == JPEG
    document = operator.get(f"/shifts/{shift.id}/report.html").text
    assert "data:image/jpeg;base64,/9j/4AAQ" in document
    assert "/photos/" not in document


def test_what_was_not_taken_stands_on_the_page_with_the_way_to_it_for_an_engineer(
    operator, engineer, shift
):
    said = "1 line from tablets was not taken into the logbook; see to it first"
    way = f'<a href="/cells/{shift.cell_id}/parked">'
    ours, theirs = (visitor.get(f"/shifts/{shift.id}").text for visitor in (engineer, operator))
    assert said in ours
    assert said in theirs
    assert way in ours
    assert way not in theirs
    assert engineer.get(f"/cells/{shift.cell_id}/parked").status_code == 200


def test_the_list_of_lines_says_which_tablet_wrote_each_and_says_each_in_words(operator, shift):
    text = operator.get(f"/shifts/{shift.id}").text
    assert "blue tablet" in text
    for words in (
        "photo of a failure: failed cycle 4, chips left",
        "6 good cycles by the counter, at 20",
        "no cycle to add by the counter, at 20",
        "spot check of 4 cycles, none failed",
        "spot check of cycle 4, chips left",
    ):
        assert words in text


def test_the_data_say_the_same(operator, shift):
    data = json.loads(operator.get(f"/shifts/{shift.id}/report.json").text)
    assert data["parked"]["lines"] == 1
    assert data["photos"][0]["sha256"] == SHA256
    assert [tablet["name"] for tablet in data["tablets"]] == ["blue tablet"]
    assert data["spot_checks"]["set_aside"] == 5
