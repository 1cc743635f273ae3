"""Send a message through the shop's SMTP server."""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Any

from trialog.notices.attaching import media_type
from trialog.notices.settings import MailSettings, Security


def make_mail(
    settings: MailSettings,
    message: Mapping[str, Any],
    *,
    at: datetime,
    attachment: bytes | None = None,
) -> EmailMessage:
    """Make the mail of a notice. Sent twice it has the same Message-ID, and mail programs tell."""
    mail = EmailMessage()
    mail["From"] = settings.sender
    mail["To"] = ", ".join(settings.recipients)
    # The library decodes what looks like an encoded word (RFC 2047), line ends and all: a name
    # that holds one would begin a header of its own.
    mail["Subject"] = message["subject"].replace("=?", "= ?")
    mail["Date"] = format_datetime(at)
    mail["Message-ID"] = f"<{message['id']}.trialog@{settings.sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no absence note answers it
    # Quoted, so that a server that takes seven bits only takes it too.
    mail.set_content(message["text"], cte="quoted-printable")
    if attachment is not None:
        name = message["report"]["attached"]
        main, sub = media_type(name)
        mail.add_attachment(attachment, maintype=main, subtype=sub, filename=name)
        # Else it would be drawn anew each time, and the mail be another one at each try.
        mail.set_boundary(f"trialog-{message['id']}")
    return mail


def send_mail(settings: MailSettings, mail: EmailMessage, *, timeout: float) -> str:
    """Send a mail; return which recipients the server did not take, empty if it took all.

    Raises
    ------
    OSError
        If the server cannot be reached, is not who it should be, answers too late, or takes no
        recipient (`smtplib.SMTPException` is one too).
    """
    server = _connect(settings, timeout)
    try:
        if settings.security is Security.STARTTLS:
            # Where the server offers none this fails: nothing goes over an open line instead.
            server.starttls(context=ssl.create_default_context())
        if settings.user:
            server.login(settings.user, settings.password)
        refused = server.send_message(mail, settings.sender, list(settings.recipients))
        with suppress(OSError):
            server.quit()  # the mail is taken: a server that says no goodbye takes nothing back
    finally:
        server.close()
    return refused_words(refused)


def _connect(settings: MailSettings, timeout: float) -> smtplib.SMTP:
    if settings.security is Security.TLS:
        context = ssl.create_default_context()
        return smtplib.SMTP_SSL(settings.host, settings.port, timeout=timeout, context=context)
    return smtplib.SMTP(settings.host, settings.port, timeout=timeout)


def refused_words(refused: Mapping[str, tuple[int, bytes]]) -> str:
    """Say which recipients a server did not take, and why."""
    return "; ".join(
        f"not taken for {address}: {code} {said.decode(errors='replace')}"
        for address, (code, said) in sorted(refused.items())
    )
