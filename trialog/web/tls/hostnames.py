"""The names and addresses of this computer, found without asking the network."""

from __future__ import annotations

import ipaddress
import os
import platform
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import psutil

from trialog.errors import InvalidValueError

Address = ipaddress.IPv4Address | ipaddress.IPv6Address

LOOPBACK = (ipaddress.ip_address("127.0.0.1"), ipaddress.ip_address("::1"))
LOCAL_NAME = "localhost"

_HOSTS = Path("/etc/hosts")
_RESOLVER = Path("/etc/resolv.conf")
_LABEL = r"[a-z0-9_](?:[a-z0-9_-]{0,61}[a-z0-9_])?"
_NAME = re.compile(rf"{_LABEL}(?:\.{_LABEL})*")
_LONGEST_NAME = 253
_VIRTUAL = ("br-", "docker", "lxc", "tun", "vbox", "veth", "vethernet", "virbr", "vmnet", "wg")
"""Interfaces that lead to no tablet, as a rule; common practice, no source."""


@dataclass(frozen=True)
class HostNames:
    """The names and addresses under which a computer is reached, those for tablets first."""

    names: tuple[str, ...]
    addresses: tuple[Address, ...]

    def __contains__(self, host: object) -> bool:
        """Say whether a host, as it stands in an address, is one of them."""
        text = str(host).strip("[]").lower()
        return text in self.names or text in map(str, self.addresses)


def find_host_names(more: Iterable[str] = ()) -> HostNames:
    """Return this computer's names and addresses; `more` come first.

    No name server is asked: it may be away, and what it says of today may not be tomorrow's.

    Raises
    ------
    InvalidValueError
        If one of `more` is neither a host name nor an address.
    """
    given = [read_name(one) for one in more]
    names = [one for one in given if isinstance(one, str)]
    addresses = [one for one in given if not isinstance(one, str)]
    names += [*computer_names(), LOCAL_NAME]
    addresses += [*interface_addresses(), *LOOPBACK]
    return HostNames(tuple(dict.fromkeys(names)), tuple(dict.fromkeys(addresses)))


def read_name(text: str) -> str | Address:
    """Return a host name in the form a certificate holds, or an address.

    Raises
    ------
    InvalidValueError
        If it is neither.
    """
    try:
        if "%" not in text:  # an address of one interface only, which no certificate can hold
            return ipaddress.ip_address(text.strip().strip("[]"))
    except ValueError:
        pass  # a name, then
    name = _plain_name(text)
    if name is None:
        raise InvalidValueError("TLS name", "be a host name or an address", text)
    return name


def _plain_name(text: str) -> str | None:
    """Return a name in small ASCII letters; None where it is no host name."""
    try:
        name = text.strip().rstrip(".").lower().encode("idna").decode()
    except UnicodeError:
        return None
    fits = len(name) <= _LONGEST_NAME and _NAME.fullmatch(name)
    # What ends in a number is read as an address by browsers, so it is none that they look up.
    return name if fits and not name.rpartition(".")[2].isdigit() else None


def computer_names(computer: str | None = None) -> list[str]:
    """Return the computer's own names: its short one, with .local, and with its domain."""
    full = _plain_name(platform.node() if computer is None else computer)
    if full is None:
        return []
    short = full.partition(".")[0]
    found = [f"{short}.local", short, full, *_names_in_hosts(short)]
    found += [f"{short}.{domain}" for domain in _domains()]
    return [name for name in dict.fromkeys(map(_plain_name, found)) if name and name != LOCAL_NAME]


def _names_in_hosts(short: str) -> Iterator[str]:
    """Yield the full names that the computer's own table gives the short one."""
    for line in _lines(_HOSTS):
        names = line.partition("#")[0].lower().split()[1:]
        yield from (name for name in names if name.startswith(f"{short}."))


def _domains() -> Iterator[str]:
    """Yield the domain that names are completed with, such as the one a router gives out."""
    for line in _lines(_RESOLVER):
        words = line.split()
        if len(words) > 1 and words[0] in ("domain", "search") and words[1] != ".":
            yield words[1]
    if domain := os.environ.get("USERDNSDOMAIN"):  # Windows says it here
        yield domain


def _lines(path: Path) -> Sequence[str]:
    try:
        return path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ()  # not every system has it


def interface_addresses() -> list[Address]:
    """Return the addresses of the interfaces that are up: real ones first, IPv4 before IPv6."""
    states = psutil.net_if_stats()
    found: list[tuple[bool, int, str, Address]] = []
    for interface, entries in psutil.net_if_addrs().items():
        if interface not in states or states[interface].isup:
            virtual = interface.lower().startswith(_VIRTUAL)
            for entry in entries:
                address = _usable(entry.address)
                if address is not None:
                    found.append((virtual, address.version, interface, address))
    return [address for *_, address in sorted(found, key=lambda one: one[:3])]


def _usable(text: str) -> Address | None:
    """Return an address that a browser can open; None for others, and for hardware addresses."""
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    # An IPv6 link-local address needs the reader's own interface beside it: no browser takes that.
    scoped = address.version == 6 and address.is_link_local
    unusable = address.is_loopback or address.is_unspecified or address.is_multicast or scoped
    return None if unusable else address
