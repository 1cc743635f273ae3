"""This computer's names and addresses, and those that somebody adds."""

from __future__ import annotations

import socket
from ipaddress import ip_address
from types import SimpleNamespace

import pytest

from trialog.errors import InvalidValueError
from trialog.web.tls import hostnames
from trialog.web.tls.hostnames import HostNames, computer_names, find_host_names, read_name


@pytest.fixture(autouse=True)
def tables(monkeypatch, tmp_path):
    """Give the computer tables of its own: a test must not depend on where it runs."""
    hosts, resolver = tmp_path / "hosts", tmp_path / "resolv.conf"
    hosts.write_text("127.0.1.1 shop-pc.plant.example shop-pc # shop-pc.comment\n192.0.2.9 other\n")
    resolver.write_text("# domain no.example\nsearch lan more.example\nnameserver 192.0.2.1\n")
    monkeypatch.setattr(hostnames, "_HOSTS", hosts)
    monkeypatch.setattr(hostnames, "_RESOLVER", resolver)
    monkeypatch.delenv("USERDNSDOMAIN", raising=False)


def interfaces(monkeypatch, down=(), **found):
    """Give the computer interfaces."""
    entries = {
        name: [SimpleNamespace(address=address) for address in addresses]
        for name, addresses in found.items()
    }
    states = {name: SimpleNamespace(isup=name not in down) for name in found}
    monkeypatch.setattr(hostnames.psutil, "net_if_addrs", lambda: entries)
    monkeypatch.setattr(hostnames.psutil, "net_if_stats", lambda: states)


def test_the_computers_names_are_found_in_its_own_tables():
    assert computer_names("Shop-PC") == [
        "shop-pc.local", "shop-pc", "shop-pc.plant.example", "shop-pc.lan",
    ]  # fmt: skip


def test_a_full_name_gives_the_short_one_too():
    names = computer_names("shop-pc.works.example")
    assert names[:3] == ["shop-pc.local", "shop-pc", "shop-pc.works.example"]


@pytest.mark.parametrize("odd", ["", "shop pc", "-", "x" * 64, "shop\x00pc"])
def test_a_computer_whose_name_is_none_for_a_network_has_addresses_only(odd):
    assert computer_names(odd) == []


def test_windows_says_its_domain_in_a_variable(monkeypatch, tmp_path):
    monkeypatch.setattr(hostnames, "_RESOLVER", tmp_path / "none")
    monkeypatch.setenv("USERDNSDOMAIN", "PLANT.EXAMPLE")
    assert "shop-pc.plant.example" in computer_names("shop-pc")


def test_addresses_are_those_of_the_interfaces_real_ones_first(monkeypatch):
    interfaces(
        monkeypatch,
        docker0=["172.17.0.1"],
        eth0=["fe80::1%eth0", "2001:db8::5", "192.0.2.20", "00:11:22:33:44:55"],
        lo=["127.0.0.1", "::1"],
        wlan0=["198.51.100.3"],
    )
    found = find_host_names().addresses
    assert [str(one) for one in found] == [
        "192.0.2.20", "198.51.100.3", "2001:db8::5", "172.17.0.1", "127.0.0.1", "::1",
    ]  # fmt: skip


def test_an_interface_that_is_down_does_not_count(monkeypatch):
    interfaces(monkeypatch, down=["eth1"], eth0=["192.0.2.20"], eth1=["192.0.2.21"])
    assert ip_address("192.0.2.21") not in find_host_names().addresses


def test_this_computers_own_interfaces_are_found_without_the_network(monkeypatch):
    def refuse(*_args, **_options):
        raise AssertionError("asked the network")

    for asking in ("getaddrinfo", "gethostbyname", "getfqdn", "gethostbyaddr"):
        monkeypatch.setattr(socket, asking, refuse)
    monkeypatch.setattr(socket.socket, "connect", refuse)
    found = find_host_names()
    assert "localhost" in found.names
    assert ip_address("127.0.0.1") in found.addresses


def test_what_somebody_adds_comes_first(monkeypatch):
    interfaces(monkeypatch, eth0=["192.0.2.20"])
    found = find_host_names(["Cell3.Shop.example", "192.0.2.80", "[2001:db8::9]", "localhost"])
    assert found.names[0] == "cell3.shop.example"
    assert found.names.count("localhost") == 1
    assert [str(one) for one in found.addresses[:3]] == ["192.0.2.80", "2001:db8::9", "192.0.2.20"]


@pytest.mark.parametrize(
    ("typed", "held"),
    [("Shop-PC", "shop-pc"), ("shop-pc.", "shop-pc"), ("bücher.example", "xn--bcher-kva.example"),
     ("shop_pc", "shop_pc"), (" 192.0.2.1 ", ip_address("192.0.2.1"))],
)  # fmt: skip
def test_a_name_is_held_as_browsers_ask_for_it(typed, held):
    assert read_name(typed) == held


@pytest.mark.parametrize(
    "typed",
    ["", " ", "a b", "https://shop", "shop:8765", "*.shop", "a..b", "-a", "a-", "x" * 64, "1.2.3",
     "192.0.2.256", "a/b", "x." * 130 + "x", "fe80::1%eth0 x"],
)  # fmt: skip
def test_what_is_neither_name_nor_address_is_refused(typed):
    with pytest.raises(InvalidValueError, match="TLS name must be a host name or an address"):
        read_name(typed)


def test_a_host_of_an_address_is_looked_up_as_it_stands_there():
    here = HostNames(("shop-pc",), (ip_address("2001:db8::5"),))
    assert "Shop-PC" in here
    assert "[2001:db8::5]" in here
    assert "other" not in here
    assert "" not in here
