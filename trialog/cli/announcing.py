"""What the console says as a server starts: addresses, trust, and what the server does not do."""

from __future__ import annotations

import io
import sys
from datetime import UTC, datetime, timedelta

import click
import segno
from sqlalchemy.orm import Session

from trialog.feeds.mtconnect.standing import FeedState, feeds_standing
from trialog.records.feeds import all_feeds
from trialog.reports.words import counted
from trialog.web.tls.trust import Trust

_SOON = timedelta(days=365)


def announce_https(trust: Trust, before: str, qr: bool) -> None:
    """Print the addresses, the page of trust with its QR code, and the fingerprint.

    The code is printed to a terminal only, or where `qr` asks for it.
    """
    first, *others = trust.addresses
    click.echo(f"{before}{first}")
    for address in others:
        click.echo(f"               or {address}")
    if not trust.open_to_the_network:
        click.echo("Only this computer reaches it; --host 0.0.0.0 opens it to the shop's network.")
    click.echo(f"\nOnce on each tablet, so that it trusts this server: open {trust.page}")
    if qr or sys.stdout.isatty():
        click.echo(code_of(trust.page))
    click.echo("The certificate's SHA-256 fingerprint, to compare on the tablet:")
    for line in trust.fingerprint:
        click.echo(f"  {line}")
    _warn_of_end(trust, datetime.now(UTC))
    click.echo("Stop it with Ctrl-C.")


def mention_feeds(session: Session) -> None:
    """Say that machines are to be listened to and nobody does: the server itself never does."""
    silent = feeds_standing(all_feeds(session), datetime.now(UTC)).by_state[FeedState.SILENT]
    if silent:
        click.echo(
            f"{counted(silent, 'machine')} to be listened to, and nobody does. This server does "
            "not; beside it run: trialog feed run"
        )


def code_of(address: str) -> str:
    """Return the QR code of an address as text for a terminal."""
    drawn = io.StringIO()
    segno.make(address, micro=False).terminal(out=drawn, compact=True)
    return drawn.getvalue()


def _warn_of_end(trust: Trust, now: datetime) -> None:
    ends = trust.keeper.authority.ends
    if ends - now < _SOON:
        click.echo(f"The certificate authority ends on {ends:%Y-%m-%d}. See the help on HTTPS.")
