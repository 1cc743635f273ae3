"""E-mail: to a real SMTP server, in clear, by STARTTLS and by TLS, taken or not."""

from __future__ import annotations

from datetime import UTC, datetime
from email.header import decode_header, make_header

import pytest
from support.mailbox import Mailbox, mail_server

from trialog.notices.composing import one_line
from trialog.notices.mail import make_mail, send_mail
from trialog.notices.settings import read_notice_settings
from trialog.notices.why import why
from trialog.web.tls.hostnames import HostNames

from .conftest import BOSS, LEAD, SENDER, by_mail

AT = datetime(2026, 3, 2, 14, 0, tzinfo=UTC)
MESSAGE = {"id": "0123abcd", "subject": "Lathe 4: closed", "text": "41 cycles.\n\nCautions:\n- …\n"}
SIGNED_IN = {"SMTP_SECURITY": "starttls", "SMTP_USER": "shop", "SMTP_PASSWORD": "a pass phrase"}


def send(given, timeout=10.0, **message):
    """Send a message and return what is noted, as a try that got through or one that did not."""
    settings = read_notice_settings(given).mail
    try:
        return send_mail(settings, make_mail(settings, MESSAGE | message, at=AT), timeout=timeout)
    except OSError as error:
        return f"failed: {why(error)}"


def test_a_mail_arrives_at_everybody(mailbox):
    assert send(by_mail(mailbox.port)) == ""
    (mail,), (envelope,) = mailbox.mails, mailbox.envelopes
    assert (envelope.mail_from, envelope.rcpt_tos) == (SENDER, [BOSS, LEAD])
    assert (mail["From"], mail["To"]) == (SENDER, f"{BOSS}, {LEAD}")
    assert (mail["Subject"], mail["Date"].datetime) == ("Lathe 4: closed", AT)
    assert mail["Message-ID"] == "<0123abcd.trialog@shop.invalid>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mailbox.texts[0] == MESSAGE["text"]


def test_sent_twice_it_is_the_same_to_the_byte(mailbox):
    send(by_mail(mailbox.port))
    send(by_mail(mailbox.port))
    first, second = mailbox.envelopes
    assert first.content == second.content


def test_what_travels_is_ascii_whatever_names_hold(mailbox):
    send(by_mail(mailbox.port), subject="Drehmaschine für Öl " * 20, text="Spülung · 4 °C\n")
    assert mailbox.envelopes[0].content.isascii()
    (mail,) = mailbox.mails
    assert str(make_header(decode_header(mail["Subject"]))) == ("Drehmaschine für Öl " * 20)
    assert mailbox.texts[0] == "Spülung · 4 °C\n"


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r", "\x85", "\u2028", "\x0b\x0c", "\x00"])
def test_no_name_begins_a_header_of_its_own(mailbox, end):
    send(by_mail(mailbox.port), subject=one_line(f"Lathe{end}Bcc: thief@shop.invalid"))
    (mail,) = mailbox.mails
    assert mail["Bcc"] is None
    assert mail["Subject"] == "Lathe Bcc: thief@shop.invalid"
    assert mailbox.envelopes[0].rcpt_tos == [BOSS, LEAD]


@pytest.mark.parametrize("word", ["=?utf-8?q?A=0D=0ABcc=3A_x?=", "=?utf-8?b?QQ0KQmNjOiB4?="])
def test_no_name_is_taken_for_a_word_in_the_code_of_headers(mailbox, word):
    """The standard library would decode it as it is set, and write the line ends out."""
    send(by_mail(mailbox.port), subject=f"{word}: closed")
    (mail,) = mailbox.mails
    assert mail["Bcc"] is None
    assert mail["Subject"] == f"= {word[1:]}: closed"


def test_a_dot_alone_on_a_line_does_not_end_the_mail(mailbox):
    send(by_mail(mailbox.port), text="one\n.\nRCPT TO:<thief@shop.invalid>\n")
    (mail,) = mailbox.texts
    assert mail == "one\n.\nRCPT TO:<thief@shop.invalid>\n"


def test_by_starttls_it_signs_in_once_nobody_can_read_along(server_tls):
    box = Mailbox()
    options = {"tls_context": server_tls(), "require_starttls": True, "auth_required": True}
    with mail_server(box, authenticator=box.authenticate, **options) as port:
        assert send(by_mail(port, **SIGNED_IN)) == ""
    assert box.under_tls == [True]
    assert [(name, word) for _, name, word in box.signed_in] == [(b"shop", b"a pass phrase")]


def test_a_wrong_password_is_told_and_never_shown(server_tls):
    box = Mailbox()
    options = {"tls_context": server_tls(), "require_starttls": True, "auth_required": True}
    with mail_server(box, authenticator=box.authenticate, **options) as port:
        said = send(by_mail(port, **SIGNED_IN | {"SMTP_PASSWORD": "mistyped"}))
    assert said.startswith("failed: the mail server answered 535")
    assert "mistyped" not in said
    assert box.envelopes == []


def test_by_tls_from_the_first_byte(server_tls):
    box = Mailbox()
    with mail_server(box, tls=server_tls()) as port:
        assert send(by_mail(port, SMTP_SECURITY="tls")) == ""
    assert len(box.envelopes) == 1


def test_a_server_without_starttls_gets_nothing(mailbox):
    said = send(by_mail(mailbox.port, SMTP_SECURITY="starttls"))
    assert "STARTTLS extension not supported" in said
    assert mailbox.envelopes == []


@pytest.mark.parametrize("security", ["tls", "starttls"])
def test_a_certificate_that_nobody_vouches_for_gets_nothing(server_tls, monkeypatch, security):
    box, tls = Mailbox(), server_tls()
    monkeypatch.delenv("SSL_CERT_FILE")
    how = {"tls": tls} if security == "tls" else {"tls_context": tls}
    with mail_server(box, **how) as port:
        said = send(by_mail(port, SMTP_SECURITY=security))
    assert said.startswith("failed: the certificate was not accepted: ")
    assert box.envelopes == []


def test_a_certificate_for_another_name_gets_nothing(server_tls):
    box = Mailbox()
    with mail_server(box, tls=server_tls(HostNames(("elsewhere.local",), ()))) as port:
        said = send(by_mail(port, SMTP_SECURITY="tls"))
    assert said.startswith("failed: the certificate was not accepted: Hostname mismatch")
    assert box.envelopes == []


def test_who_is_not_taken_is_named_and_the_others_have_theirs(mailbox):
    mailbox.refused = {LEAD}
    assert send(by_mail(mailbox.port)) == f"not taken for {LEAD}: 550 5.1.1 nobody of that name"
    assert [envelope.rcpt_tos for envelope in mailbox.envelopes] == [[BOSS]]


def test_a_mail_that_nobody_gets_has_failed(mailbox):
    mailbox.refused = {BOSS, LEAD}
    said = send(by_mail(mailbox.port))
    assert said.startswith(f"failed: not taken for {BOSS}: 550 5.1.1 nobody of that name; not")


def test_a_mail_that_the_server_does_not_take_has_failed(mailbox):
    mailbox.say_after_data = "451 4.3.0 full, later"
    said = send(by_mail(mailbox.port))
    assert said == "failed: the mail server answered 451 4.3.0 full, later"


def test_a_server_that_says_no_goodbye_has_taken_the_mail_all_the_same(mailbox):
    mailbox.hangs_up = True
    assert send(by_mail(mailbox.port)) == ""
    assert len(mailbox.envelopes) == 1


def test_a_server_that_does_not_greet_is_not_waited_for(mute):
    assert "timed out" in send(by_mail(mute), timeout=0.05)


def test_nobody_there():
    with mail_server(Mailbox()) as gone:
        pass
    assert send(by_mail(gone)) == "failed: no connection: Connection refused"
