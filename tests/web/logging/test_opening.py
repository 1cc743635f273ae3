"""Opening a shift, and finding the open one: both happen on the tablet page."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from support.cells import closing, log_shift, write

from trialog.web.logging.opening import next_label


def test_the_next_label_follows_the_shops_clock(session, cell):
    late = datetime(2026, 3, 2, 23, 30, tzinfo=UTC)
    zone = ZoneInfo("Europe/Berlin")
    assert next_label(session, cell.cell, now=late, zone=zone) == "2026-03-03 A"


def test_labels_that_are_taken_are_passed_over_and_numbers_follow_letters(session, cell, now):
    for mark in ("A", "B", "D"):
        log_shift(session, cell, f"2026-03-02 {mark}", now=now, good=1)
    assert next_label(session, cell.cell, now=now, zone=UTC) == "2026-03-02 C"
    for mark in "CEFGHIJKLMNOPQRSTUVWXYZ":
        log_shift(session, cell, f"2026-03-02 {mark}", now=now)
    assert next_label(session, cell.cell, now=now, zone=UTC) == "2026-03-02 27"


def test_the_cells_page_leads_to_the_tablet_page_at_that_cell(operator, cell):
    page = operator.get(f"/cells/{cell.id}").text
    assert f'href="/cells/{cell.id}/log"' in page
    assert operator.get(f"/cells/{cell.id}/log").location == f"/tablet/?cell={cell.id}"


def test_an_address_of_a_shift_leads_to_its_cell_open_or_closed(operator, cell, shift, session):
    path, label = f"/shifts/{shift.id}/log", shift.label
    assert operator.get(path).location == f"/tablet/?cell={cell.id}"
    write(session, cell, closing(label, 500), now=datetime.now(UTC))
    assert operator.get(path).location == f"/tablet/?cell={cell.id}"


@pytest.mark.parametrize("role", ["approver", "stranger"])
def test_who_may_not_log_is_not_led_there(request, cell, shift, role):
    visitor = request.getfixturevalue(role)
    for path in (f"/cells/{cell.id}/log", f"/shifts/{shift.id}/log"):
        answer = visitor.get(path)
        assert answer.status_code == (403 if role == "approver" else 302)
        assert "/tablet/" not in (answer.location or "")
