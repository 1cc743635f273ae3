"""Names and notes that want to be more than text: they reach nobody else, and end no message early.

Names are checked where somebody types them; here they stand in the records all the same, put there
past every check, and go out through the real senders to servers on the loopback.
"""

from __future__ import annotations

import json

import pytest
from support.hostile import SCRIPT, poison

from trialog.evidence import CAUTIONS, note_verdicts
from trialog.notices import ask_for_test, deliver_due, tell_verdicts
from trialog.records.database import unit_of_work
from trialog.records.models import Cell

from .conftest import BOSS, LEAD, SENDER, by_mail, by_webhook
from .test_webhook import is_signed

pytestmark = pytest.mark.database("sqlite")  # what goes out does not depend on the database

THIEF = "thief@shop.invalid"
TEXTS = {
    "header": f"A\r\nBcc: {THIEF}\r\n.\r\nRCPT TO:<{THIEF}>\r\n\r\n<b>",
    "turned": f"{SCRIPT}\u202egro.live@\u2066, {THIEF}\u2028Bcc: {THIEF}\x85\x0b\x1b[2J",
    "encoded": "=?utf-8?q?A=0D=0ABcc=3A_thief=40shop=2Einvalid?= --trialog-0123abcd--",
    "request": f"A\r\nX-Trialog-Id: 1\r\n\r\nPOST /{THIEF} HTTP/1.1\r\n\",\"kind\":\"test\"}}",
    "long": "\u00c4 " * 40_000,
}  # fmt: skip
HEADERS = ["Auto-Submitted", "Date", "From", "MIME-Version", "Message-ID", "Subject", "To"]


@pytest.fixture
def sent(shop, post, receiver, mailbox, now):
    """Return a function that tells of a shift, a verdict and a test while every name is a text."""

    def send(text):
        sender = post(by_mail(mailbox.port) | by_webhook(receiver))
        shop.start_trial()
        shop.close_shift(counters=(100, 143))
        poison(shop.session, text)
        with unit_of_work(shop.session):
            changes = note_verdicts(shop.session, shop.cell.cell, now=now)
            tell_verdicts(shop.session, changes, now=now)
            ask_for_test(shop.session, actor=shop.people.admin, now=now)
        assert deliver_due(sender) == len(shop.kept()) == 6
        return mailbox, receiver

    return send


@pytest.mark.usefixtures("forms")  # no printing where that is not the point
@pytest.mark.parametrize("name", TEXTS)
def test_a_hostile_name_reaches_nobody_else_and_ends_no_message_early(sent, shop, name):
    mailbox, receiver = sent(TEXTS[name])
    cell = shop.session.get(Cell, shop.cell.id).name
    assert len(mailbox.envelopes) == len(receiver.received) == 3
    for mail, envelope, text in zip(mailbox.mails, mailbox.envelopes, mailbox.texts, strict=True):
        assert (envelope.mail_from, envelope.rcpt_tos) == (SENDER, [BOSS, LEAD])
        own = {"Content-Type", "Content-Transfer-Encoding"}
        assert sorted(set(mail.keys()) - own) == HEADERS
        assert len(mail.keys()) == len(set(mail.keys()))
        assert (mail["From"], mail["To"]) == (SENDER, f"{BOSS}, {LEAD}")
        assert mail["Subject"].isprintable()
        kinds = [part.get_content_type() for part in mail.walk() if not part.is_multipart()]
        assert kinds in (["text/plain"], ["text/plain", "application/pdf"])
        assert envelope.content.isascii()
        assert max(len(line) for line in envelope.content.splitlines()) < 998  # RFC 5321, 4.5.3.1.6
        assert text.rstrip().endswith((CAUTIONS[-1], "when a verdict changes."))
    for request in receiver.received:
        assert is_signed(request)
        assert request.path == "/hooks?from=trialog"
        told = json.loads(request.body)
        assert request.headers["X-Trialog-Id"] == told["id"]
        assert told["kind"] in {"shift closed", "verdict changed", "test"}
        assert told["kind"] == "test" or told["cell"]["name"] == cell
    assert len({json.loads(request.body)["kind"] for request in receiver.received}) == 3
