"""The page of notices, for admins: what is set, how far each got, a test, another try."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select
from support.browsing import WEB_CONFIG
from support.cells import log_shift
from support.mailbox import Mailbox, mail_server
from support.receiver import http_receiver

from trialog.evidence import define_requirement, start_trial
from trialog.notices import deliver_due, settle_unset
from trialog.records.models import AuditEvent, Notice
from trialog.records.setup import NewRequirement
from trialog.records.words import PlanKind, Stage
from trialog.web import create_app
from trialog.web.database import NAME, state
from trialog.web.notices.posting import post_of

SECRET, PASSWORD = "a secret of these tests", "a pass phrase"


@pytest.fixture
def app(database):
    """Return an app that tells over e-mail and a webhook, to servers of this test."""
    box = Mailbox()
    with mail_server(box) as port, http_receiver() as receiver:
        app = create_app({
            **WEB_CONFIG, "DATABASE_URL": database, "SMTP_HOST": "localhost", "SMTP_PORT": port,
            "SMTP_SECURITY": "none", "SMTP_FROM": "trialog@shop.invalid",
            "NOTICE_TO": "boss@shop.invalid", "WEBHOOK_URL": receiver.url,
            "WEBHOOK_SECRET": SECRET, "PUBLIC_URL": "https://shop.invalid",
        })  # fmt: skip
        app.mailbox, app.receiver = box, receiver
        yield app
        state(app).engine.dispose()


def notices(session):
    session.rollback()
    return session.scalars(select(Notice).order_by(Notice.id)).all()


def test_an_admin_sees_the_channels_and_no_secret(admin):
    page = admin.get("/settings/notices").text
    assert "to boss@shop.invalid" in page
    assert "from trialog@shop.invalid through localhost" in page
    assert "/hooks<" in page
    assert "from=trialog" not in page  # many receivers have a key of theirs there
    assert SECRET not in page
    assert "begin with https://shop.invalid" in page
    assert "No notice yet" in page
    assert 'href="/settings/notices" aria-current="page"' in page


def test_a_test_goes_out_over_both_channels_and_is_in_the_audit(app, admin, session, people):
    answer = admin.post("/settings/notices/test", page="/settings/notices")
    assert answer.location == "/settings/notices"
    assert "Load this page again" in admin.get("/settings/notices").text
    assert deliver_due(post_of(app)) == 2
    assert app.mailbox.mails[0]["Subject"] == "trialog: a test notice"
    assert "asked for by Adam Admin" in app.mailbox.texts[0]
    assert len(app.receiver.received) == 1
    page = admin.get("/settings/notices").text
    assert page.count("<strong>sent</strong>") == 2
    assert "Try again now" not in page
    session.rollback()
    event = session.scalar(select(AuditEvent).where(AuditEvent.subject == "notice"))
    assert (event.action, event.person_id) == ("asked for a test", people.admin.id)


def test_what_failed_says_why_and_can_be_tried_again(app, admin, session):
    app.receiver.answer = lambda _request: 500
    app.mailbox.say_after_data = "554 <b>no</b>"
    admin.post("/settings/notices/test", page="/settings/notices")
    deliver_due(post_of(app))
    page = admin.get("/settings/notices").text
    assert "the receiver answered 500 Internal Server Error" in page
    assert "the mail server answered 554 &lt;b&gt;no&lt;/b&gt;" in page
    assert page.count("<strong>waiting</strong>") == 2
    app.receiver.answer = lambda _request: 200
    app.mailbox.say_after_data = "250 taken"
    admin.post("/settings/notices/retry", page="/settings/notices")
    assert "2 notices are tried again within seconds." in admin.get("/settings/notices").text
    assert deliver_due(post_of(app)) == 2
    assert all(one.delivered_at for one in notices(session))


@pytest.mark.database(
    "sqlite"
)  # what is tried again and what is settled is tested on both elsewhere
def test_what_is_left_is_said_and_what_is_settled_asks_for_no_other_try(app, admin):
    admin.post("/settings/notices/test", page="/settings/notices")
    here = state(app)
    without = replace(here.settings.notices, webhook=None)
    app.extensions[NAME] = replace(here, settings=replace(here.settings, notices=without))
    admin.post("/settings/notices/retry", page="/settings/notices")
    page = admin.get("/settings/notices").text
    assert "1 notice is tried again within seconds." in page
    assert "Not tried again: 1 notice over webhook, which is not set here." in page
    assert deliver_due(post_of(app)) == 1
    assert settle_unset(here.sessions, without.channels) == 1
    page = admin.get("/settings/notices").text
    assert "<strong>settled</strong>" in page
    assert "its channel is no longer set" in page
    assert "Try again now" not in page


def test_a_test_without_a_channel_says_so(app, admin):
    app.config["WTF_CSRF_ENABLED"] = False
    state(app).sessions.configure(info={})
    admin.client.post("/settings/notices/test")
    assert "There is no channel to test" in admin.get("/settings/notices").text


@pytest.fixture
def open_shift(session, cell, people):
    """Leave a shift open in which something can damage the machine."""
    moment = datetime.now(UTC) - timedelta(minutes=5)
    by = {"actor": people.engineer, "now": moment}
    new = NewRequirement(
        name="lunch", stretch_hours=1, chance=0.8, confidence=0.9, design_rate=0.0001
    )
    requirement = define_requirement(session, cell.cell, new, **by)
    start_trial(
        session, requirement, name="Jet, by hand", stage=Stage.BY_HAND,
        plan_kind=PlanKind.ZERO_FAILURE, device=cell.jet, **by,
    )  # fmt: skip
    session.commit()
    log_shift(session, cell, "early", now=moment, good=3, failed=[cell.chips], closed=False,
              actor=people.operator)  # fmt: skip


def test_a_shift_that_is_closed_is_told_and_the_verdict_with_it_with_links_that_lead_there(
    app, operator, open_shift, cell
):
    line = {"client_id": "the-end", "kind": "close", "shift": "early"}
    token = operator.token()
    answer = operator.client.post(
        f"/api/cells/{cell.id}/entries", json={"entries": [line]}, headers={"X-CSRFToken": token}
    )
    assert answer.status_code == 200, answer.text
    assert deliver_due(post_of(app)) == 4
    subjects = sorted(mail["Subject"] for mail in app.mailbox.mails)
    assert subjects == [
        "Lathe 4: Jet, by hand is NO-GO, was KEEP RUNNING",
        "Lathe 4: shift early closed, 4 cycles, 1 failed",
    ]
    links = [re.search(r"Read it all: https://shop.invalid(\S+)", text)[1]
             for text in app.mailbox.texts]  # fmt: skip
    pages = [operator.get(link).text for link in links]
    assert sorted(re.search(r"<h1>(.*?)</h1>", page, re.S)[1].strip() for page in pages) == [
        "Jet, by hand",
        "Shift early",
    ]
