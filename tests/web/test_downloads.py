"""Reports as files: each kind in each form, in the language and on the paper asked for."""

from __future__ import annotations

import json
from io import BytesIO

import openpyxl
import pytest
from sqlalchemy import select
from support.populated import populate

from trialog.records.models import Shift, Trial
from trialog.reports import kinds, printing
from trialog.reports.kinds import KINDS
from trialog.web.database import state

# How a report is asked for has nothing to do with which database keeps the records.
pytestmark = pytest.mark.database("sqlite")

TYPES = {
    "html": "text/html; charset=utf-8",
    "json": "application/json",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "csv": "text/csv; charset=utf-8",
}


@pytest.fixture
def addresses(app, session, people):
    """Return the address of each kind of report, without its ending."""
    populate(app, session, people)
    trial = session.scalars(select(Trial)).first()
    shift = session.scalars(select(Shift)).first()
    return {
        "shift": f"/shifts/{shift.id}/report",
        "trial": f"/trials/{trial.id}/report",
        "evidence": f"/trials/{trial.id}/evidence",
        "cell": f"/cells/{trial.cell_id}/readiness",
        "fleet": "/fleet",
    }


def test_each_kind_comes_in_each_form_as_a_file_to_keep(operator, addresses):
    assert set(addresses) == set(KINDS)
    for kind, address in addresses.items():
        for form, media_type in TYPES.items():
            answer = operator.get(f"{address}.{form}")
            assert answer.status_code == 200, (kind, form)
            assert answer.headers["Content-Type"] == media_type
            name = answer.headers["Content-Disposition"]
            assert name.startswith(f'attachment; filename="{kind}')
            assert name.endswith(f'.{form}"')
            assert reads(form, answer.data), (kind, form)


def reads(form, content):
    if form == "json":
        return json.loads(content)["cautions"]
    if form == "xlsx":
        return len(openpyxl.load_workbook(BytesIO(content)).sheetnames) > 1
    return content.startswith(b"<!doctype html>") if form == "html" else b"\r\n" in content


def test_a_table_is_had_by_its_name_and_an_unknown_one_is_refused_with_all_names(
    operator, addresses
):
    shifts = operator.get(f"{addresses['trial']}.csv?table=shifts")
    assert shifts.text.startswith("shift,")
    refused = operator.get(f"{addresses['trial']}.csv?table=none")
    assert refused.status_code == 422
    assert "shifts" in refused.text


def test_a_report_speaks_the_language_asked_for_and_else_the_shops(app, operator, addresses):
    for suffix, code in (("", "en"), ("?language=es", "es")):
        for path in (f"{addresses['shift']}.html", addresses["trial"].removesuffix("/report")):
            assert f'lang="{code}"' in operator.get(path + suffix).text
    refused = operator.get(f"{addresses['shift']}.html?language=xx")
    assert refused.status_code == 422
    assert "language must be one of en, es" in refused.text


@pytest.mark.parametrize("suffix", ["doc", "html.exe", ""])
def test_a_form_that_there_is_not_is_no_page(operator, addresses, suffix):
    assert operator.get(f"{addresses['shift']}.{suffix}").status_code == 404


def test_an_unknown_paper_is_refused(operator, addresses):
    refused = operator.get(f"{addresses['shift']}.pdf?paper=a3")
    assert refused.status_code == 422
    assert "paper must be one of a4, letter" in refused.text


def test_where_no_browser_is_the_answer_says_what_to_do(operator, addresses, monkeypatch):
    monkeypatch.setattr(printing, "NAMES", ("no-such-browser",))
    refused = operator.get(f"{addresses['shift']}.pdf")
    assert refused.status_code == 501
    assert "No PDF from this server" in refused.text
    assert "take the HTML document" in refused.text


def test_who_comes_while_others_print_is_told_at_once_to_come_again(operator, addresses):
    places = [printing._queue.acquire(blocking=False) for _ in range(printing.MOST_AT_A_TIME)]
    try:
        busy = operator.get(f"{addresses['shift']}.pdf")
    finally:
        for _ in filter(None, places):
            printing._queue.release()
    assert (busy.status_code, busy.headers["Retry-After"]) == (503, "10")
    assert "One PDF at a time" in busy.text
    assert "Try again in a moment, or take the HTML document." in busy.text


def test_nothing_of_the_records_is_held_while_a_browser_prints(
    app, operator, addresses, monkeypatch
):
    held = []

    def print_pdf(*_):
        held.append(state(app).engine.pool.checkedout())
        return b"%PDF-"

    monkeypatch.setattr(kinds, "print_pdf", print_pdf)
    before = state(app).engine.pool.checkedout()
    assert operator.get(f"{addresses['trial']}.pdf").data == b"%PDF-"
    assert held == [before]


def test_pages_offer_every_form_and_the_other_language(operator, addresses):
    pages = [address.removesuffix("/report") for address in addresses.values()]
    for page, address in zip(pages, addresses.values(), strict=True):
        text = operator.get(page).text
        for paper in ("a4", "letter"):
            assert f'href="{address}.pdf?language=en&amp;paper={paper}"' in text, page
        for form in TYPES:
            assert f'href="{address}.{form}?language=en"' in text, (page, form)
        assert 'hreflang="es"' in text
