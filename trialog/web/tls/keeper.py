"""Keep the server's certificate current, also while it serves."""

from __future__ import annotations

import logging
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from trialog.errors import TrialogError
from trialog.web.tls.authority import open_authority
from trialog.web.tls.files import explained
from trialog.web.tls.hostnames import HostNames, find_host_names
from trialog.web.tls.issuing import KEPT, find_kept, issue, keep, why_renew

CHECK_SECONDS = 600.0
"""How often a running server looks: a router gives out new addresses at any hour."""

_log = logging.getLogger(__name__)


class Keeper:
    """The authority and the certificate in a folder, and the TLS context made of them.

    Raises
    ------
    InvalidValueError
        If the authority is broken or has ended, the folder cannot be written, or `host` says so.
    """

    def __init__(
        self, folder: Path, host: Callable[[], HostNames] = find_host_names, *, now: datetime
    ) -> None:
        self.authority = open_authority(folder, now=now)
        self._folder = folder
        self._find_host = host
        self._renew(now)
        self._load()

    def renew_if_due(self, now: datetime) -> str | None:
        """Renew the certificate where it must be; return why, or None.

        Connections that stand keep the old one; `context` is the new one's from here on, also
        where another process has renewed it.
        """
        why = self._renew(now)
        if self._kept() != self._loaded:
            self._load()
        return why

    def _load(self) -> None:
        self._loaded = self._kept()
        self.context = make_context(self._folder / KEPT)

    def _kept(self) -> int | None:
        """Return the number of the certificate that the folder keeps."""
        kept = find_kept(self._folder)
        return None if kept is None else kept.certificate.serial_number

    def _renew(self, now: datetime) -> str | None:
        self.host = self._find_host()
        with explained(self._folder):
            why = why_renew(find_kept(self._folder), self.authority, self.host, now=now)
            if why is not None:
                keep(issue(self.authority, self.host, now=now), self._folder)
        return why


def make_context(path: Path) -> ssl.SSLContext:
    """Return the context of a server with the certificate and key in a file; TLS 1.2 or newer."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_RENEGOTIATION
    context.set_alpn_protocols(["http/1.1"])
    context.load_cert_chain(path)
    return context


@contextmanager
def renewing(
    keeper: Keeper,
    *,
    every: float = CHECK_SECONDS,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> Iterator[None]:
    """Look again and again, beside what runs, whether the certificate must be renewed."""
    ended = threading.Event()

    def look() -> None:
        while not ended.wait(every):
            _look_once(keeper, clock())

    thread = threading.Thread(target=look, name="certificate renewal", daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _look_once(keeper: Keeper, now: datetime) -> None:
    """Renew if due. What goes wrong is logged: the certificate in use may do for weeks."""
    try:
        why = keeper.renew_if_due(now)
    except (TrialogError, OSError, ValueError):
        _log.exception("the certificate could not be renewed; the one in use stays")
    else:
        if why is not None:
            _log.warning("the certificate was renewed: %s", why)
