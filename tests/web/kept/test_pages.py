"""The pages of kept reports: found, read as they were, downloaded in every form."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from html import unescape

import pytest
from sqlalchemy import select, update
from support.cells import log_shift, make_cell, ruling, write
from support.tampering import past_the_application

from trialog.records.database import make_sessions, unit_of_work
from trialog.records.due import SETTLES
from trialog.records.models import Entry, KeptReport
from trialog.records.words import EntryKind
from trialog.reports import words
from trialog.reports.keeping import Keeper, keep_due
from trialog.web.database import state
from trialog.web.kept import views

pytestmark = pytest.mark.database("sqlite")  # what keeps a report is tried on both elsewhere


@pytest.fixture
def keeper(app, now):
    def make(later=timedelta(0)):
        sessions = make_sessions(state(app).engine)
        zone = state(app).settings.time_zone
        return keep_due(Keeper(sessions=sessions, zone=zone, clock=lambda: now + later))

    return make


@pytest.fixture
def shop(session, people, now):
    """Return a cell with a closed shift of ten cycles, one of them failed."""
    with unit_of_work(session):
        cell = make_cell(session, now, actor=people.admin)
    log_shift(
        session, cell, "Early <i>", good=9, failed=[cell.slow], actor=people.operator, now=now
    )
    return cell


@pytest.fixture
def ruled(shop, session, people, keeper, now):
    """Return the shop with its report kept, a ruling after that, and the second version."""
    keeper()
    slip = session.scalars(select(Entry.client_id).where(Entry.kind == EntryKind.FAILED)).one()
    line = ruling(slip, relevant=False)
    write(session, shop, line, actor=people.engineer, now=now)
    keeper(SETTLES)
    return shop


def kept(session):
    session.rollback()
    return session.scalars(select(KeptReport).order_by(KeptReport.id)).all()


def test_without_any_the_list_says_when_the_first_comes(operator):
    page = operator.get("/reports").text
    assert "No report is kept" in page
    assert "The first is made when a shift is closed." in page
    assert '<a href="/reports" aria-current="page">Reports</a>' in page


def test_what_is_due_is_named_until_it_is_made(operator, shop, keeper):
    page = operator.get("/reports").text
    assert "1 report to be made" in page
    assert "Early &lt;i&gt;, due 2026-03-02 14:00" in page
    keeper()
    page = operator.get("/reports").text
    assert "to be made" not in page
    assert "1 kept report" in page


def test_the_list_leads_to_the_report_as_it_was(operator, ruled, session):
    first, second = kept(session)
    page = operator.get("/reports").text
    assert re.findall(r'href="/reports/(\d+)"', page) == [str(second.id), str(first.id)]
    assert "version 1, replaced on 2026-03-02 14:02</span>" in page
    assert "version 2</span>" in page
    old, new = (unescape(operator.get(f"/reports/{one.id}").text) for one in (first, second))
    assert "Replaced on 2026-03-02 14:02: the shift was changed" in old
    assert f'<a href="/reports/{second.id}">The newest version</a>' in old
    assert "Replaced on" not in new
    assert words.together(first.sentence) in old
    assert words.together(second.sentence) in new
    assert first.sha256 in old
    assert "Shift Early <i>" in new
    assert "Shift Early <i>" not in operator.get(f"/reports/{second.id}").text


def test_the_page_of_the_shift_leads_to_what_is_kept_and_back(operator, ruled, session):
    first, second = kept(session)
    page = operator.get(f"/shifts/{first.shift_id}").text
    assert re.findall(r'href="/reports/(\d+)"', page) == [str(second.id), str(first.id)]
    assert f'href="/shifts/{first.shift_id}"' in operator.get(f"/reports/{first.id}").text


@pytest.mark.parametrize("form", ["html", "json", "xlsx", "csv"])
def test_each_form_is_a_file_to_keep(operator, ruled, session, form):
    first, _ = kept(session)
    answer = operator.get(f"/reports/{first.id}.{form}")
    name = f"shift-{first.shift_id}.{form}"
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{name}"'
    assert len(answer.data) > 100
    if form == "json":
        assert json.loads(answer.text)["no_tests"] == 0
        assert json.loads(operator.get(f"/reports/{second(session)}.json").text)["no_tests"] == 1


def second(session):
    return kept(session)[1].id


def test_the_list_is_narrowed_by_what_the_address_asks_for(operator, ruled, session):
    def found(**asked):
        page = operator.get("/reports", query_string=asked).text
        return len(set(re.findall(r'href="/reports/(\d+)"', page)))

    assert found(cell=ruled.cell.id, kind="shift", first="2026-03-02", last="2026-03-02") == 2
    assert found(kind="trial") == 0
    assert found(last="2026-03-01") == 0
    page = operator.get("/reports", query_string={"kind": "trial"}).text
    assert "Nothing that is kept fits what you look for." in page


@pytest.mark.parametrize(
    "asked",
    [{"cell": "99"}, {"kind": "fleet"}, {"first": "soon"},
     {"first": "2026-03-02", "last": "2026-03-01"}, {"last": "9999-12-31"}],
    ids=str,
)  # fmt: skip
def test_what_cannot_be_looked_for_is_said_beside_the_field(operator, ruled, asked):
    answer = operator.get("/reports", query_string=asked)
    assert answer.status_code == 422
    assert "Nothing was looked for: please mend this" in answer.text


def test_a_long_list_has_pages(operator, ruled, monkeypatch):
    monkeypatch.setattr(views, "PAGE", 1)
    page = operator.get("/reports", query_string={"kind": "shift"}).text
    assert "2 kept reports, page 1 of 2" in page
    assert 'rel="next" href="/reports?kind=shift&amp;page=2"' in page
    page = operator.get("/reports?page=7").text
    assert "page 2 of 2" in page
    assert 'rel="prev"' in page


@pytest.mark.parametrize("path", ["/reports/99", "/reports/99.html", "/reports/1.exe"])
def test_what_is_not_there_has_no_page(operator, ruled, path):
    assert operator.get(path).status_code == 404


def test_a_report_that_somebody_changed_is_not_shown(operator, ruled, session):
    past_the_application(session, update(KeptReport).values(content=b"another"))
    first, _ = kept(session)
    for path in (f"/reports/{first.id}", f"/reports/{first.id}.html"):
        answer = operator.get(path)
        assert answer.status_code == 409
        assert "is not what was kept" in answer.text


def test_the_audit_leads_to_the_report(admin, ruled, session):
    page = admin.get("/audit", query_string={"subject": "report"}).text
    first, latest = kept(session)
    assert "kept report" in page
    for one in (first, latest):
        assert f'<a href="/reports/{one.id}">' in page
