"""Over which channels notices go: what the environment says, checked once at the start."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from urllib.parse import urlsplit

from trialog.errors import InvalidValueError
from trialog.records.words import NoticeChannel

NAMES = (
    "SMTP_HOST", "SMTP_PORT", "SMTP_SECURITY", "SMTP_USER", "SMTP_PASSWORD", "SMTP_FROM",
    "NOTICE_TO", "WEBHOOK_URL", "WEBHOOK_SECRET", "PUBLIC_URL",
)  # fmt: skip
"""The settings of notices; the environment variable has TRIALOG_ before its name."""

SHORTEST_SECRET = 16
_SECRETS = ("SMTP_PASSWORD", "WEBHOOK_SECRET")
_ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?")
_PLAIN = re.compile(r"[!-~]+")
"""Printable ASCII without blanks: nothing that could begin a second line of a request."""

_HOST = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?|[0-9A-Fa-f:]+")


class Security(StrEnum):
    """How the connection to the mail server is kept from others' eyes."""

    NONE = "none"
    STARTTLS = "starttls"
    TLS = "tls"


PORTS = {Security.NONE: 25, Security.STARTTLS: 587, Security.TLS: 465}
"""The port where none is given: those that RFC 5321, 6409 and 8314 name."""


@dataclass(frozen=True, kw_only=True)
class MailSettings:
    """The shop's mail server, and from whom to whom."""

    host: str
    port: int
    security: Security
    user: str = ""
    password: str = field(default="", repr=False)
    sender: str
    recipients: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class WebhookSettings:
    """The address that gets notices as JSON, and the secret that signs them."""

    url: str
    secret: str = field(repr=False)

    @property
    def shown_url(self) -> str:
        """The address without its query, where many receivers have a key of theirs."""
        return self.url.partition("?")[0].partition("#")[0]


@dataclass(frozen=True, kw_only=True)
class NoticeSettings:
    """The channels that are set; None: that one is not. `public_url` opens links in messages."""

    mail: MailSettings | None = None
    webhook: WebhookSettings | None = None
    public_url: str = ""

    @property
    def channels(self) -> tuple[NoticeChannel, ...]:
        """The channels that notices go over."""
        given = {NoticeChannel.MAIL: self.mail, NoticeChannel.WEBHOOK: self.webhook}
        return tuple(channel for channel, settings in given.items() if settings is not None)


def read_notice_settings(given: Mapping[str, object]) -> NoticeSettings:
    """Read the settings by their names without TRIALOG_; nothing given: no notice goes out.

    Raises
    ------
    InvalidValueError
        If a setting breaks its rule, or one is missing that another one needs.
    """
    texts = {name: str(given.get(name) or "") for name in NAMES}
    texts |= {name: text.strip() for name, text in texts.items() if name not in _SECRETS}
    return NoticeSettings(
        mail=_mail(texts) if texts["SMTP_HOST"] else None,
        webhook=_webhook(texts) if texts["WEBHOOK_URL"] else None,
        public_url=_url("PUBLIC_URL", texts["PUBLIC_URL"]).rstrip("/"),
    )


def _mail(texts: Mapping[str, str]) -> MailSettings:
    security = _security(texts["SMTP_SECURITY"])
    if not _HOST.fullmatch(texts["SMTP_HOST"]):
        raise _broken("SMTP_HOST", "be the name or address of a mail server", texts["SMTP_HOST"])
    if security is Security.NONE and texts["SMTP_USER"]:
        rule = "be starttls or tls where TRIALOG_SMTP_USER is set: a password must not go in clear"
        raise _broken("SMTP_SECURITY", rule, security)
    if bool(texts["SMTP_USER"]) != bool(texts["SMTP_PASSWORD"]):
        # Never the value: errors are shown and logged.
        raise _broken("SMTP_PASSWORD", "be set with TRIALOG_SMTP_USER, and only with it", "")
    if not (texts["SMTP_USER"] + texts["SMTP_PASSWORD"]).isascii():
        raise _broken("SMTP_PASSWORD", "be in plain ASCII characters, as TRIALOG_SMTP_USER", "")
    recipients = tuple(texts["NOTICE_TO"].replace(",", " ").split())
    if not recipients:
        raise _broken("NOTICE_TO", "name at least one address where TRIALOG_SMTP_HOST is set", "")
    return MailSettings(
        host=texts["SMTP_HOST"],
        port=_port(texts["SMTP_PORT"], PORTS[security]),
        security=security,
        user=texts["SMTP_USER"],
        password=texts["SMTP_PASSWORD"],
        sender=_address("SMTP_FROM", texts["SMTP_FROM"]),
        recipients=tuple(_address("NOTICE_TO", one) for one in recipients),
    )


def _security(text: str) -> Security:
    try:
        return Security(text.lower() or Security.STARTTLS)
    except ValueError:
        raise _broken("SMTP_SECURITY", "be none, starttls or tls", text) from None


def _port(text: str, default: int) -> int:
    if not text:
        return default
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 65535:
        raise _broken("SMTP_PORT", "be a whole number from 1 to 65535", text)
    return int(text)


def _address(name: str, text: str) -> str:
    """Return an address that is safe in a header: plain characters, no name, no second line."""
    if not _ADDRESS.fullmatch(text):
        raise _broken(name, "be an address such as shop@example.org in plain letters", text)
    return text


def _webhook(texts: Mapping[str, str]) -> WebhookSettings:
    if len(texts["WEBHOOK_SECRET"]) < SHORTEST_SECRET:
        rule = f"have at least {SHORTEST_SECRET} characters where TRIALOG_WEBHOOK_URL is set"
        raise _broken("WEBHOOK_SECRET", rule, "")
    return WebhookSettings(
        url=_url("WEBHOOK_URL", texts["WEBHOOK_URL"]), secret=texts["WEBHOOK_SECRET"]
    )


def _url(name: str, text: str) -> str:
    if not text:
        return text
    try:
        parts = urlsplit(text)
        fit = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        fit = False
    if "@" in text:
        # Neither in logs nor on the page, nor in this error's text.
        raise _broken(name, "hold no name and no password before an @", "")
    if not fit or not _PLAIN.fullmatch(text):
        raise _broken(name, "be an address that begins with https:// or http://", text)
    return text


def _broken(name: str, rule: str, value: object) -> InvalidValueError:
    return InvalidValueError(f"TRIALOG_{name}", rule, value)
