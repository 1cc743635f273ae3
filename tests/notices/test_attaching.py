"""The report of a closed shift goes with its notice: as a link, and as a file with a mail."""

from __future__ import annotations

import io
import itertools
import json

import pytest
from pypdf import PdfReader
from sqlalchemy import select, text

from trialog.notices import attaching, deliver_due, delivering
from trialog.notices.mail import make_mail
from trialog.records.models import KeptReport
from trialog.reports import keeping
from trialog.reports.kinds import render

from .conftest import by_mail, by_webhook

pytestmark = pytest.mark.database("sqlite")  # what keeps a report is tried on both elsewhere


def only(mailbox):
    (mail,) = mailbox.mails
    return mail


def files(mail):
    return [(one.get_filename(), one.get_content_type()) for one in mail.iter_attachments()]


def test_a_mail_brings_the_report_as_a_pdf(shop, post, mailbox, forms):
    sender = post(by_mail(mailbox.port, PUBLIC_URL="https://shop.invalid"))
    shop.close_shift()
    deliver_due(sender)
    (kept,) = shop.session.scalars(select(KeptReport))
    name = f"shift-{kept.shift_id}.pdf"
    (mail,), (said,) = mailbox.mails, mailbox.texts
    assert files(mail) == [(name, "application/pdf")]
    assert next(mail.iter_attachments()).get_content() == forms["pdf"]
    assert f"The report is attached: {name}.\n" in said
    assert f"is kept: https://shop.invalid/reports/{kept.id}\n" in said


def test_the_file_stays_with_the_notice_only_until_it_got_through(shop, post, mailbox, *, forms,
                                                                  clock):  # fmt: skip
    sender = post(by_mail(mailbox.port))
    shop.close_shift()
    mailbox.say_after_data = "451 4.3.0 later"
    deliver_due(sender)
    assert shop.kept()[0].attachment == forms["pdf"]
    mailbox.say_after_data = "250 taken"
    clock.move(minutes=1)
    deliver_due(sender)
    assert shop.kept()[0].attachment is None
    assert len(mailbox.mails) == 1


def test_each_try_sends_the_same_bytes_however_it_would_be_printed_now(shop, post, forms):
    sender = post(by_mail(25))
    shop.close_shift()
    printed = itertools.count()
    mails = []
    for _ in range(2):
        forms["pdf"] = f"%PDF-{next(printed)}".encode()
        notice = delivering._composed(sender, shop.kept()[0].id)
        message = notice.payload[delivering.MESSAGE]
        mails.append(
            make_mail(
                sender.settings.mail, message, at=notice.created_at, attachment=notice.attachment
            ).as_bytes()
        )
    assert mails[0] == mails[1]
    assert b"JVBERi0w" in mails[0]  # %PDF-0


def test_without_a_browser_it_is_the_document(shop, post, mailbox, forms):
    del forms["pdf"]
    shop_report = post(by_mail(mailbox.port))
    shop.close_shift()
    deliver_due(shop_report)
    ((name, kind),) = files(only(mailbox))
    assert (name.rpartition(".")[2], kind) == ("html", "text/html")


def test_what_is_too_large_for_a_mail_is_left_out_and_said(shop, post, mailbox, forms):
    forms.update(pdf=b"p" * (attaching.LARGEST + 1), html=b"h" * (attaching.LARGEST + 1))
    sender = post(by_mail(mailbox.port))
    shop.close_shift()
    deliver_due(sender)
    assert files(only(mailbox)) == []
    assert "The report is too large to be attached.\n" in mailbox.texts[0]


def test_a_large_pdf_gives_way_to_a_smaller_document(shop, post, mailbox, forms):
    forms["pdf"] = b"p" * (attaching.LARGEST + 1)
    sender = post(by_mail(mailbox.port))
    shop.close_shift()
    deliver_due(sender)
    assert files(only(mailbox))[0][1] == "text/html"


def test_a_program_gets_the_link_and_no_file(shop, post, receiver):
    sender = post(by_webhook(receiver, PUBLIC_URL="https://shop.invalid"))
    shop.close_shift()
    deliver_due(sender)
    (kept,) = shop.session.scalars(select(KeptReport))
    assert json.loads(receiver.received[0].body)["report"] == {
        "id": kept.id, "version": 1, "link": f"https://shop.invalid/reports/{kept.id}",
        "attached": None,
    }  # fmt: skip
    assert shop.kept()[0].attachment is None


def test_a_report_that_cannot_be_made_holds_up_no_notice(shop, post, mailbox, *, monkeypatch,
                                                         caplog):  # fmt: skip
    def broken(_document):
        raise ZeroDivisionError

    monkeypatch.setattr(keeping, "freeze", broken)
    sender = post(by_mail(mailbox.port))
    shop.close_shift()
    assert deliver_due(sender) == 1
    assert files(only(mailbox)) == []
    assert "report is attached" not in mailbox.texts[0]
    assert "could not be made" in caplog.text


def test_a_notice_of_a_former_version_goes_out_without_a_report(shop, post, mailbox, forms):
    """It was composed before there were kept reports."""
    sender = post(by_mail(mailbox.port))
    shop.close_shift()
    notice = delivering._composed(sender, shop.kept()[0].id)
    message = {key: one for key, one in notice.payload["message"].items() if key != "report"}
    shop.kept()[0].payload = notice.payload | {"message": message}
    shop.session.execute(text("UPDATE notice SET attachment = NULL"))
    shop.session.commit()
    assert deliver_due(sender) == 1
    assert files(only(mailbox)) == []


def test_a_real_browser_prints_what_is_attached(shop, post, mailbox):
    assert attaching.render is render  # nothing quicker stands in for it
    sender = post(by_mail(mailbox.port))
    shop.close_shift()
    deliver_due(sender)
    content = next(only(mailbox).iter_attachments()).get_content()
    said = " ".join(page.extract_text() for page in PdfReader(io.BytesIO(content)).pages)
    assert "Monday early" in said
    assert "41" in said
