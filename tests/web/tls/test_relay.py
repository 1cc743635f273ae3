"""The relay: real handshakes, and nobody who can keep the others waiting."""

from __future__ import annotations

import socket
import ssl
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import timedelta
from ipaddress import ip_address
from urllib.parse import urlsplit

import pytest
from support.browsing import serving
from support.https import HERE, PATIENCE, ask, make_keeper, read_answer, secured

from trialog.web.tls import greeting
from trialog.web.tls.doors import BehindDoors


def client_hello():
    """Return the first bytes of a real handshake."""
    incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
    hello = ssl.create_default_context().wrap_bio(incoming, outgoing, server_hostname="localhost")
    with pytest.raises(ssl.SSLWantReadError):
        hello.do_handshake()
    return outgoing.read()


def hello(_environ, start_response):
    start_response("200 OK", [("Content-Length", "2")])
    return [b"ok"]


@pytest.mark.parametrize(
    "name", ["localhost", "shop-pc", "shop-pc.local", "192.0.2.20", "127.0.0.1", "::1"]
)
def test_who_trusts_the_authority_gets_in_under_each_name_and_address(https, name):
    with https.connect(name) as stream:
        assert stream.version() == "TLSv1.3"
        assert ask(stream, "/x") == (200, b"https 127.0.0.1 /x 0")


def test_who_does_not_trust_it_refuses_the_server(https):
    with pytest.raises(ssl.SSLCertVerificationError, match="unable to get local issuer"):
        https.connect(context=ssl.create_default_context())


@pytest.mark.parametrize("name", ["other.example", "shop-pc.example", "192.0.2.21", "127.0.0.2"])
def test_a_wrong_name_or_address_is_refused(https, name):
    with pytest.raises(ssl.SSLCertVerificationError, match="mismatch"):
        https.connect(name)


def test_another_servers_authority_is_of_no_use(https, tmp_path, present):
    stranger = make_keeper(tmp_path / "stranger", present).authority.for_tablets
    with pytest.raises(ssl.SSLCertVerificationError):
        https.connect(context=ssl.create_default_context(cadata=stranger))


def test_tls_1_2_will_do_and_older_will_not(https):
    context = https.trusting()
    context.set_ciphers("ALL:@SECLEVEL=0")  # so that the client itself would take the oldest
    with pytest.warns(DeprecationWarning, match="TLSv1 is deprecated"):
        context.minimum_version = ssl.TLSVersion.TLSv1
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    with https.connect(context=context) as stream:
        assert stream.version() == "TLSv1.2"
    with pytest.warns(DeprecationWarning, match="TLSv1_1 is deprecated"):
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    with pytest.raises(ssl.SSLError, match=r"EOF|ALERT"):
        https.connect(context=context)


def test_several_requests_share_a_connection(https):
    with https.connect() as stream:
        for path in (b"/1", b"/2", b"/3"):
            stream.sendall(b"GET " + path + b" HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert read_answer(stream) == (200, b"https 127.0.0.1 " + path + b" 0")


def test_large_bodies_arrive_whole_both_ways(keeper):
    def echo(environ, start_response):
        content = environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"]))
        start_response("200 OK", [("Content-Length", str(len(content)))])
        return [content]

    content = bytes(range(256)) * 20_000
    with secured(echo, keeper) as server, server.connect() as stream:
        assert ask(stream, method="POST", body=content) == (200, content)


def test_each_caller_is_seen_with_its_own_address(https):
    assert https.get(source="127.0.0.1") == (200, b"https 127.0.0.1 / 0")
    assert https.get(source="127.0.0.9") == (200, b"https 127.0.0.9 / 0")


def test_a_caller_cannot_lend_itself_another_address(https):
    lies = ["X-Forwarded-For: 192.0.2.7", "Forwarded: for=192.0.2.7", "X-Forwarded-Proto: http"]
    with https.connect() as stream:
        assert ask(stream, headers=lies) == (200, b"https 127.0.0.1 / 0")


def test_who_goes_around_the_relay_is_refused():
    def never(_environ, _start_response):
        raise AssertionError("reached")

    with serving(BehindDoors(never, {})) as url:
        port = urlsplit(url).port
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE) as stream:
            assert ask(stream)[0] == 403


def test_fifty_silent_callers_keep_nobody_waiting(https):
    with ExitStack() as silent:
        for _ in range(50):
            silent.enter_context(https.raw())
        assert https.get()[0] == 200


def test_fifty_halves_of_a_handshake_keep_nobody_waiting(https):
    half = client_hello()[:100]
    with ExitStack() as waiting:
        for _ in range(50):
            waiting.enter_context(https.raw()).sendall(half)
        assert https.get()[0] == 200


def test_unfinished_headers_and_uploads_keep_nobody_waiting(https):
    with ExitStack() as waiting:
        for _ in range(20):
            waiting.enter_context(https.connect()).sendall(b"GET / HTTP/1.1\r\nHost: loc")
            upload = b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000\r\n\r\nabc"
            waiting.enter_context(https.connect()).sendall(upload)
        assert https.get()[0] == 200


def test_when_all_places_are_taken_the_crowd_gives_way_and_not_the_other_tablet(keeper):
    with secured(hello, keeper, most=8) as server:
        tablet = server.connect(source="127.0.0.9")
        with ExitStack() as crowd, tablet:
            held = [crowd.enter_context(server.connect()) for _ in range(30)]
            assert server.get(source="127.0.0.1")[0] == 200
            assert ask(tablet)[0] == 200
            held[0].settimeout(20)
            assert read_until_closed(held[0]) == b""


def read_until_closed(stream):
    try:
        return stream.recv(1)
    except OSError:
        return b""


def test_of_a_crowd_the_one_that_was_answered_stays(keeper):
    with secured(hello, keeper, most=4) as server, ExitStack() as crowd:
        held = [crowd.enter_context(server.connect()) for _ in range(4)]
        held[0].sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert read_answer(held[0])[0] == 200
        crowd.enter_context(server.connect())
        held[0].sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert read_answer(held[0])[0] == 200
        assert read_until_closed(held[1]) == b""


def test_a_handshake_that_takes_too_long_is_ended(keeper, monkeypatch):
    monkeypatch.setattr(greeting, "HANDSHAKE_SECONDS", 0.05)
    with secured(hello, keeper) as server:
        with server.raw() as silent:
            assert read_until_closed(silent) == b""
        with server.raw() as half:
            half.sendall(client_hello()[:50])
            assert read_until_closed(half) == b""


@pytest.mark.parametrize(
    "junk",
    [b"\x00" * 50, b"\x16\x03\x01\xff\xff" + b"A" * 70_000, 
     b"\x15\x03\x03\x00\x02\x02\x28", bytes(range(128, 256)) * 30],
    ids=["zeros", "oversized record", "alert", "noise"],
)  # fmt: skip
def test_what_is_no_handshake_is_dropped_and_the_server_goes_on(https, junk):
    with https.raw() as stream:
        stream.sendall(junk)
        stream.settimeout(20)
        read_until_closed(stream)
    assert https.get()[0] == 200


def test_a_hello_that_ends_early_is_dropped_and_the_server_goes_on(https):
    hello = client_hello()
    for end in (1, 5, 6, 43, len(hello) - 1):
        with https.raw() as stream:
            stream.sendall(hello[:end])
    assert https.get()[0] == 200


@pytest.mark.parametrize("method", ["GET", "POST", "PROPFIND"])
def test_plain_http_on_the_https_port_is_told_so(https, method):
    with https.raw() as stream:
        stream.sendall(f"{method} /login HTTP/1.1\r\nHost: x\r\n\r\n".encode() + b"x" * 30_000)
        status, words = read_answer(stream)
    assert (status, words) == (400, b"HTTPS only")


def test_headers_beyond_all_measure_are_refused(https):
    # Who is still sending as the server closes may lose its answer (RFC 9112, section 9.6).
    with https.connect() as stream, suppress(ConnectionError, ssl.SSLError):
        assert ask(stream, headers=["X-Large: " + "a" * 300_000])[0] == 431
    assert https.get()[0] == 200


def test_a_renewed_certificate_is_used_at_the_next_connection(https, keeper, present):
    moved = replace(HERE, addresses=(*HERE.addresses, ip_address("192.0.2.77")))
    with https.connect() as standing:
        with pytest.raises(ssl.SSLCertVerificationError):
            https.connect("192.0.2.77")
        keeper._find_host = lambda: moved
        assert keeper.renew_if_due(present)
        with https.connect("192.0.2.77") as stream:
            assert ask(stream)[0] == 200
        assert ask(standing)[0] == 200


def test_one_renewed_near_its_end_is_used_without_a_restart(https, keeper, present):
    with https.connect() as stream:
        before = stream.getpeercert()["notAfter"]
    assert keeper.renew_if_due(present + timedelta(days=380))
    # Its first day is yet to come for OpenSSL's clock, so that only the file can be looked at.
    with pytest.raises(ssl.SSLCertVerificationError, match="not yet valid"):
        https.connect()
    assert keeper.renew_if_due(present)
    with https.connect() as stream:
        assert stream.getpeercert()["notAfter"] >= before


def test_it_ends_at_once_whatever_stands_open(keeper):
    with ExitStack() as waiting:
        with secured(hello, keeper) as server:
            for _ in range(5):
                waiting.enter_context(server.raw())
            waiting.enter_context(server.raw()).sendall(client_hello()[:60])
            idle = waiting.enter_context(server.connect())
        # Leaving the block has ended the relay; the connections stood open until then.
        assert read_until_closed(idle) == b""
