"""Keep tests off the network: a socket may reach this machine and nothing else."""

from __future__ import annotations

import ipaddress
import socket


def loopback_only(patch):
    """Make every socket refuse an address that is not on this machine."""
    for method in ("connect", "connect_ex"):
        patch.setattr(socket.socket, method, _guarded(getattr(socket.socket, method), -1))
    patch.setattr(socket.socket, "sendto", _guarded(socket.socket.sendto, -1))
    patch.setattr(socket, "getaddrinfo", _guarded_lookup(socket.getaddrinfo))


def _guarded(method, place):
    def guarded(self, *args):
        if self.family in (socket.AF_INET, socket.AF_INET6):
            _require_loopback(args[place][0])
        return method(self, *args)

    return guarded


def _guarded_lookup(lookup):
    def guarded(host, *args, **kwargs):
        _require_loopback(host)
        return lookup(host, *args, **kwargs)

    return guarded


def _require_loopback(host):
    name = host.decode() if isinstance(host, bytes) else host
    if name in (None, "", "localhost"):
        return
    try:
        address = ipaddress.ip_address(name)
        if address.is_loopback or address.is_unspecified:  # unspecified: a server's own end
            return
    except ValueError:
        pass  # a name that only a name server could resolve
    raise RuntimeError(f"a test must not reach beyond this machine, but asked for {host!r}")
