"""Recording what was changed on a device."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import select
from support.cells import make_cell

from trialog.records.database import unit_of_work
from trialog.records.models import Entry, Revision
from trialog.web.shifts.forms import from_shop_time

CLIENT_ID = "0a1b2c3d-0000-4000-8000-000000000001"
BERLIN = ZoneInfo("Europe/Berlin")


def path(cell):
    return f"/cells/{cell.id}/revisions/new"


def record(visitor, cell, **fields):
    data = {
        "client_id": CLIENT_ID, "device": cell.jet.id, "what": "wider nozzle", "resets": "resets",
        "reason": "", "at": f"{datetime.now(UTC):%Y-%m-%dT%H:%M}",
    }  # fmt: skip
    return visitor.post(path(cell), data | fields)


def revisions(session, cell):
    session.rollback()
    statement = select(Revision).where(Revision.cell_id == cell.id, Revision.entry_id.is_not(None))
    return session.scalars(statement.order_by(Revision.id)).all()


def test_a_revision_resets_the_evidence_unless_said_otherwise(engineer, session, cell):
    assert 'value="resets"' in engineer.get(path(cell)).text
    assert record(engineer, cell).status_code == 302
    (revision,) = revisions(session, cell)
    assert (revision.what, revision.resets_evidence) == ("wider nozzle", True)
    assert revision.device_id == cell.jet.id


def test_a_revision_may_keep_the_evidence_for_a_reason(engineer, session, cell):
    record(engineer, cell, resets="keeps", reason="only the label")
    (revision,) = revisions(session, cell)
    assert (revision.resets_evidence, revision.reason) == (False, "only the label")
    assert "Keeps the evidence: only the label" in engineer.get(path(cell)).text


def test_why_a_change_was_made_stands_with_it(engineer, session, cell):
    record(engineer, cell, reason="chips stayed in the corner")
    (revision,) = revisions(session, cell)
    assert (revision.resets_evidence, revision.reason) == (True, "chips stayed in the corner")
    assert "Resets the evidence. Why: chips stayed in the corner" in engineer.get(path(cell)).text


def test_without_a_time_a_revision_takes_effect_this_moment_not_this_minute(
    engineer, session, cell
):
    before = datetime.now(UTC)
    record(engineer, cell, at="")
    record(engineer, cell, at="")
    (revision,) = revisions(session, cell)
    assert before <= revision.effective_at <= datetime.now(UTC)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"what": " "}, "Must be given"),
        ({"what": "x" * 2001}, "at most 2,000"),
        ({"resets": "keeps", "reason": " "}, "Must be given where the evidence is kept"),
        ({"resets": "perhaps"}, "Not a valid choice"),
        ({"device": "999"}, "Not a valid choice"),
        ({"device": "x"}, "Invalid Choice"),
        ({"at": "soon"}, "Not a valid datetime"),
        ({"at": "0001-01-01T00:00"}, "lie after 1900-01-01"),
        ({"client_id": "no"}, "Not saved yet"),
    ],
)
def test_a_bad_value_is_shown_and_writes_nothing(engineer, session, cell, fields, words):
    answer = record(engineer, cell, **fields)
    assert answer.status_code == 422
    assert words in answer.text
    assert revisions(session, cell) == []


def test_a_revision_in_the_future_is_refused(engineer, session, cell):
    tomorrow = datetime.now(UTC) + timedelta(days=1)
    answer = record(engineer, cell, at=f"{tomorrow:%Y-%m-%dT%H:%M}")
    assert answer.status_code == 422
    assert "not lie in the future" in answer.text
    assert revisions(session, cell) == []


def test_a_device_of_another_cell_is_refused(engineer, session, cell, now):
    with unit_of_work(session):
        other = make_cell(session, now, "Lathe 5")
    assert record(engineer, cell, device=other.jet.id).status_code == 422


def test_the_same_revision_sent_twice_is_recorded_once(engineer, session, cell):
    at = f"{datetime.now(UTC):%Y-%m-%dT%H:%M}"
    for _ in range(2):
        assert record(engineer, cell, at=at).status_code == 302
    assert len(revisions(session, cell)) == 1


def test_a_revision_is_undone_and_stays_on_the_list(engineer, session, cell):
    record(engineer, cell)
    data = {"client_id": CLIENT_ID[:-1] + "2", "target": CLIENT_ID}
    answer = engineer.post(f"/cells/{cell.id}/revisions/undo", data, page=path(cell))
    assert answer.status_code == 302
    (revision,) = revisions(session, cell)
    assert revision.withdrawn is True
    assert "<s>wider nozzle</s>" in engineer.get(path(cell)).text


@pytest.mark.parametrize("target", ["", "no-such-line"])
def test_only_a_recorded_revision_can_be_undone(engineer, session, cell, target):
    data = {"client_id": CLIENT_ID, "target": target}
    answer = engineer.post(f"/cells/{cell.id}/revisions/undo", data, page=path(cell))
    assert answer.status_code == 422
    assert session.scalars(select(Entry)).all() == []


@pytest.mark.parametrize("role", ["operator", "approver", "stranger"])
def test_only_engineers_record_revisions(request, session, cell, role):
    visitor = request.getfixturevalue(role)
    answer = visitor.get(path(cell))
    assert answer.status_code == (302 if role == "stranger" else 403)


def test_markup_in_a_revision_stays_text(engineer, cell):
    record(engineer, cell, what="<img src=x onerror=alert(1)>")
    assert "<img src=x" not in engineer.get(path(cell)).text


def test_a_time_is_meant_on_the_shops_clock():
    assert from_shop_time(datetime(2026, 7, 1, 8, 0), BERLIN) == datetime(  # noqa: DTZ001 - as typed
        2026, 7, 1, 6, 0, tzinfo=UTC
    )


def test_an_hour_that_the_shops_clock_skipped_does_not_exist():
    assert from_shop_time(datetime(2026, 3, 29, 2, 30), BERLIN) is None  # noqa: DTZ001 - as typed


def test_of_an_hour_that_ran_twice_the_first_is_meant():
    assert from_shop_time(datetime(2026, 10, 25, 2, 30), BERLIN) == datetime(  # noqa: DTZ001 - as typed
        2026, 10, 25, 0, 30, tzinfo=UTC
    )


@pytest.mark.parametrize(
    ("typed", "zone"),
    [
        (datetime(1, 1, 1, 0, 0), "Asia/Tokyo"),  # noqa: DTZ001 - as typed
        (datetime(9999, 12, 31, 23, 59), "America/New_York"),  # noqa: DTZ001 - as typed
    ],
)
def test_a_time_at_the_calendars_ends_is_left_to_the_write_path(typed, zone):
    assert from_shop_time(typed, ZoneInfo(zone)) == typed.replace(tzinfo=ZoneInfo(zone))
