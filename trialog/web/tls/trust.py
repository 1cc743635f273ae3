"""What the page of trust says: which authority, at which addresses."""

from __future__ import annotations

from dataclasses import dataclass
from ipaddress import ip_address
from typing import cast

from flask import Flask, current_app

from trialog.web.tls.doors import CERTIFICATE, TRUST_PAGE
from trialog.web.tls.hostnames import LOCAL_NAME, Address, HostNames
from trialog.web.tls.keeper import Keeper

_NAME = "trialog_trust"


@dataclass(frozen=True)
class Trust:
    """A server that speaks HTTPS with a certificate of its own authority."""

    keeper: Keeper
    listens_on: str
    """The address of the listening socket."""

    port: int
    trust_port: int | None

    @property
    def hosts(self) -> tuple[str, ...]:
        """The hosts to put into an address: those that the server listens on."""
        host = self.keeper.host
        heard = tuple(map(str, _heard_at(self.listens_on, host)))
        return (*host.names, *heard) if self.open_to_the_network else (LOCAL_NAME, *heard)

    @property
    def open_to_the_network(self) -> bool:
        """Say whether other computers reach the server."""
        return not ip_address(self.listens_on).is_loopback

    @property
    def addresses(self) -> tuple[str, ...]:
        """The addresses of the app, those for tablets first."""
        return tuple(address_at("https", host, self.port) for host in self.hosts)

    def address_for(self, host: str) -> str:
        """Return the app's address under the name a visitor used, if the certificate has it."""
        fits = host in self.keeper.host
        return address_at("https", host.strip("[]") if fits else self.hosts[0], self.port)

    @property
    def page(self) -> str:
        """The address of the page of trust for a tablet that trusts nothing yet."""
        # By number: many tablets cannot look up the name of a computer in the shop.
        host = next((one for one in self.hosts if one[0].isdigit() or ":" in one), self.hosts[0])
        if self.trust_port is None:
            return address_at("https", host, self.port) + TRUST_PAGE[1:]
        return address_at("http", host, self.trust_port)

    @property
    def certificate(self) -> str:
        """The path of the authority's certificate."""
        return CERTIFICATE

    @property
    def fingerprint(self) -> tuple[str, str]:
        """The authority's fingerprint in two lines of 16 pairs, to compare by eye."""
        pairs = self.keeper.authority.fingerprint
        return pairs[:47], pairs[48:]


def _heard_at(listens_on: str, host: HostNames) -> tuple[Address, ...]:
    """Return the addresses that reach a server which listens on a host."""
    if listens_on == "0.0.0.0":  # noqa: S104 - compared with, not listened on
        return tuple(one for one in host.addresses if one.version == 4)
    if listens_on == "::":
        return tuple(one for one in host.addresses if one.version == 6)
    return tuple(one for one in host.addresses if str(one) == listens_on)


def address_at(scheme: str, host: str, port: int) -> str:
    """Return an address to open in a browser."""
    return f"{scheme}://[{host}]:{port}/" if ":" in host else f"{scheme}://{host}:{port}/"


def set_trust(app: Flask, trust: Trust) -> None:
    """Let an app show its page of trust."""
    app.extensions[_NAME] = trust


def find_trust() -> Trust | None:
    """Return what the current app's page of trust says; None where it is not served by HTTPS."""
    return cast("Trust | None", current_app.extensions.get(_NAME))
