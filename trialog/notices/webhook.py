"""Send a notice as signed JSON to an address of the shop's own."""

from __future__ import annotations

import hashlib
import hmac
import json
import ssl
from collections.abc import Mapping
from datetime import datetime
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from typing import Any
from urllib.parse import urlsplit

from trialog import __version__
from trialog.notices.settings import WebhookSettings


class RefusedError(HTTPException):
    """The receiver did not take the notice."""


def signature(secret: str, timestamp: str, body: bytes) -> str:
    """Return the signature of a request: HMAC-SHA256 (RFC 2104) over time, a dot and the body.

    With the time under the signature, who has overheard a request cannot send it again later.
    """
    signed = hmac.new(secret.encode(), timestamp.encode() + b"." + body, hashlib.sha256)
    return f"sha256={signed.hexdigest()}"


def send_webhook(
    settings: WebhookSettings, data: Mapping[str, Any], *, now: datetime, timeout: float
) -> None:
    """Post a notice. What was sent twice is the same to the byte, but for its time and signature.

    Raises
    ------
    OSError, HTTPException
        If the receiver cannot be reached, is not who it should be, answers too late, or with
        anything but "taken" (200 to 299).
    """
    body = json.dumps(data, sort_keys=True, ensure_ascii=True, allow_nan=False).encode()
    timestamp = str(int(now.timestamp()))
    headers = {
        "Content-Type": "application/json",
        "User-Agent": f"trialog/{__version__}",
        "X-Trialog-Id": str(data["id"]),
        "X-Trialog-Timestamp": timestamp,
        "X-Trialog-Signature": signature(settings.secret, timestamp, body),
        "Connection": "close",
    }
    parts = urlsplit(settings.url)
    target = f"{parts.path or '/'}{'?' if parts.query else ''}{parts.query}"
    connection = _connection(parts.scheme, str(parts.hostname), parts.port, timeout)
    try:
        connection.request("POST", target, body, headers)
        with connection.getresponse() as answer:  # what it says besides is not read
            _require_taken(answer.status, answer.reason)
    finally:
        connection.close()


def _connection(scheme: str, host: str, port: int | None, timeout: float) -> HTTPConnection:
    if scheme == "https":
        context = ssl.create_default_context()
        return HTTPSConnection(host, port, timeout=timeout, context=context)
    return HTTPConnection(host, port, timeout=timeout)


def _require_taken(status: int, reason: str) -> None:
    if 200 <= status < 300:
        return
    # The signed body was meant for the address that somebody set, and for no other.
    hint = "; redirects are not followed" if 300 <= status < 400 else ""
    raise RefusedError(f"the receiver answered {status} {reason}{hint}")
