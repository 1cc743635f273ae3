"""Whether the browser lets a page do what works without a network."""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from flask import Flask, request

from trialog.web.database import state


def secure_origin() -> bool:
    """Say whether a browser counts the present address as secure: HTTPS, or this computer.

    Elsewhere it withholds the service worker, the screen's wake lock, hashing and the like:
    the tablet page cannot load, or check a PIN, without a network. A server behind somebody
    else's HTTPS says so by TRIALOG_SECURE_COOKIES.
    """
    return request.is_secure or state().settings.secure_cookies or is_local(request.host)


def is_local(host: str) -> bool:
    """Say whether a host is this computer, which no other device can reach under that name."""
    try:
        name = urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return False  # not a host at all
    if name == "localhost" or name.endswith(".localhost"):
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def init_app(app: Flask) -> None:
    """Give the templates `secure_origin()`."""
    app.jinja_env.globals["secure_origin"] = secure_origin
