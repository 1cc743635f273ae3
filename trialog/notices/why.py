"""Why a notice did not get through, in words that an admin can act on."""

from __future__ import annotations

import smtplib
import ssl

from trialog.errors import cut
from trialog.notices.composing import one_line
from trialog.notices.mail import refused_words

LONGEST = 300


def why(error: BaseException) -> str:
    """Return the reason in a line of a length that a page can show."""
    return cut(one_line(_words(error)), LONGEST)


def _words(error: BaseException) -> str:
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        return refused_words(error.recipients)
    if isinstance(error, smtplib.SMTPResponseException):
        said = error.smtp_error
        text = said.decode(errors="replace") if isinstance(said, bytes) else str(said)
        return f"the mail server answered {error.smtp_code} {text}"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate was not accepted: {error.verify_message}"
    if isinstance(error, TimeoutError):
        return str(error) if "in all" in str(error) else "no answer in time"
    if isinstance(error, OSError) and error.strerror:
        return f"no connection: {error.strerror}"  # without the number, which says nothing more
    return str(error) or type(error).__name__
