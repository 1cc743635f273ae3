"""What the console says of a server that speaks HTTPS: addresses, and how a tablet trusts it."""

from __future__ import annotations

import io
import sys
from datetime import UTC, datetime, timedelta

import click
import segno

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


def code_of(address: str) -> str:
    """Return the QR code of an address as text for a terminal."""
    drawn = io.StringIO()
    segno.make(address, micro=False).terminal(out=drawn, compact=True)
    return drawn.getvalue()


def _warn_of_end(trust: Trust, now: datetime) -> None:
    ends = trust.keeper.authority.ends
    if ends - now < _SOON:
        click.echo(f"The certificate authority ends on {ends:%Y-%m-%d}. See the help on HTTPS.")
