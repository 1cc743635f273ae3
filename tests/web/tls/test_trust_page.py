"""The page of trust, and what the app is behind HTTPS: who called, and how much it takes."""

from __future__ import annotations

import hashlib
import re
import socket
from html import unescape

import pytest
from cryptography import x509
from support.https import PATIENCE, ask, make_keeper, secured

from trialog.web.security import LARGEST_REQUEST
from trialog.web.tls.authority import FOR_TABLETS
from trialog.web.tls.trust import Trust, set_trust

CERTIFICATE = "/trust/trialog-ca.crt"
EVERYWHERE = "0.0.0.0"  # noqa: S104 - stands for it; nothing listens
HERE_ONLY = "127.0.0.1"


@pytest.fixture
def trusted(app, keeper):
    """Serve the web application by HTTPS, with its page of trust on a plain port."""
    with secured(app, keeper) as server:
        set_trust(app, Trust(keeper, "127.0.0.1", server.port, server.trust_port))
        yield server


def trust_at(keeper, listens_on, trust_port=8766):
    return Trust(keeper, listens_on, 8765, trust_port)


def test_the_plain_port_serves_the_page_and_what_it_is_made_of(trusted):
    for path in ("/", "/trust"):
        status, page = trusted.get_plainly(path)
        assert status == 200
        assert b"<h1>Trust this server</h1>" in page
    for path in re.findall(r'(?:href|src)="(/[^"]+)"', page.decode()):
        assert trusted.get_plainly(unescape(path))[0] == 200, path


def test_it_links_to_nothing_that_it_does_not_serve_but_https(trusted):
    page = trusted.get_plainly("/")[1].decode()
    links = re.findall(r'<a [^>]*href="([^"#]+)"', page)
    assert links == [CERTIFICATE, f"https://localhost:{trusted.port}/"]


@pytest.mark.parametrize("system", ["Android", "iPad", "Windows"])
def test_it_says_what_to_do_on_each_kind_of_tablet_and_what_that_rests_on(trusted, system):
    page = trusted.get_plainly("/")[1].decode()
    assert system in page
    assert "common practice" in page


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", "/login"), ("GET", "/health"), ("GET", "/help"), ("GET", "/tablet/"),
     ("POST", "/login"), ("POST", "/trust"), ("PUT", "/"), ("GET", "/api/cells/1/entries"),
     ("GET", "/static/../login"), ("GET", "/trust/../login"), ("GET", "//login"),
     ("GET", "/static/tablet/outbox.js"), ("GET", "/trust/authority.pem"),
     ("GET", "/trust%2f..%2flogin")],
)  # fmt: skip
def test_nothing_else_goes_over_plain_http(trusted, method, path):
    assert trusted.get_plainly(path, method)[0] == 404


def test_the_plain_page_sets_no_cookie_and_asks_for_none(trusted):
    with socket.create_connection(("127.0.0.1", trusted.trust_port), timeout=PATIENCE) as stream:
        stream.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nCookie: trialog_session=x\r\n\r\n")
        head = stream.recv(65536).split(b"\r\n\r\n")[0].lower()
    assert b" 200 " in head
    assert b"set-cookie" not in head


def test_the_certificate_is_handed_out_as_tablets_install_it(trusted, app, keeper):
    answer = app.test_client().get(CERTIFICATE)
    assert answer.mimetype == "application/x-x509-ca-cert"
    assert FOR_TABLETS in answer.headers["Content-Disposition"]
    status, content = trusted.get_plainly(CERTIFICATE)
    assert status == 200
    assert x509.load_der_x509_certificate(content) == keeper.authority.certificate
    digest = hashlib.sha256(content).hexdigest()
    assert digest == keeper.authority.fingerprint.replace(":", "").lower()


def test_the_page_shows_the_fingerprint_and_says_where_to_compare_it(trusted, keeper):
    page = trusted.get("/trust")[1].decode()
    first, second = trust_at(keeper, HERE_ONLY).fingerprint
    assert f"{first}:{second}" == keeper.authority.fingerprint
    assert first in page
    assert second in page
    assert "console" in page


def test_the_app_shows_the_same_page_with_its_own_frame(trusted):
    status, page = trusted.get("/trust")
    assert status == 200
    assert b"<h1>Trust this server</h1>" in page
    assert b'href="/help"' in page


def test_without_https_there_is_nothing_to_trust(stranger):
    assert stranger.get("/trust").status_code == 404
    assert stranger.get(CERTIFICATE).status_code == 404


@pytest.mark.parametrize(
    ("asked", "shown"),
    [("shop-pc:8766", "shop-pc"), ("192.0.2.20:8766", "192.0.2.20"), ("[::1]:8766", "[::1]"),
     ("evil.example", "shop-pc.local"), ("a\"><script>", "shop-pc.local"), ("]", "shop-pc.local")],
)  # fmt: skip
def test_the_link_leads_to_a_name_that_the_certificate_holds(app, keeper, asked, shown):
    set_trust(app, trust_at(keeper, EVERYWHERE))
    page = app.test_client().get("/trust", headers={"Host": asked})
    assert page.status_code in (200, 400)
    assert "evil" not in page.text
    assert "<script>" not in page.text
    if page.status_code == 200:
        assert f'href="https://{shown}:8765/"' in page.text


@pytest.mark.parametrize(
    ("listens_on", "addresses", "page"),
    [
        (EVERYWHERE, ["shop-pc.local", "shop-pc", "localhost", "192.0.2.20", "127.0.0.1"],
         "http://192.0.2.20:8766/"),
        ("::", ["shop-pc.local", "shop-pc", "localhost", "[::1]"], "http://[::1]:8766/"),
        ("192.0.2.20", ["shop-pc.local", "shop-pc", "localhost", "192.0.2.20"],
         "http://192.0.2.20:8766/"),
        ("127.0.0.1", ["localhost", "127.0.0.1"], "http://127.0.0.1:8766/"),
        ("192.0.2.99", ["shop-pc.local", "shop-pc", "localhost"], "http://shop-pc.local:8766/"),
    ],
)  # fmt: skip
def test_the_addresses_are_those_that_the_server_listens_on(keeper, listens_on, addresses, page):
    trust = trust_at(keeper, listens_on)
    assert list(trust.addresses) == [f"https://{host}:8765/" for host in addresses]
    assert trust.page == page
    assert trust.open_to_the_network == (listens_on != "127.0.0.1")


def test_without_a_plain_port_the_page_is_the_apps_own(keeper):
    trust = trust_at(keeper, EVERYWHERE, trust_port=None)
    assert trust.page == "https://192.0.2.20:8765/trust"


def test_try_limits_count_for_each_tablet_behind_the_relay(app, trusted):
    app.config["WTF_CSRF_ENABLED"] = False

    def try_pin(source):
        with trusted.connect(source=source) as stream:
            kind = ["Content-Type: application/x-www-form-urlencoded"]
            return ask(stream, "/login", "POST", b"name=Nobody&pin=1111", kind)[0]

    assert [try_pin("127.0.0.8") for _ in range(31)] == [422] * 30 + [429]
    assert try_pin("127.0.0.9") == 422


def test_a_request_larger_than_the_app_takes_is_told_so_in_words(trusted):
    with trusted.connect() as stream:
        status, page = ask(stream, "/login", "POST", bytes(LARGEST_REQUEST + 1))
    assert status == 413
    assert b"larger than 32 MB" in page


def test_the_session_knows_that_it_is_https_and_browsers_are_not_bound_to_it(app, trusted):
    app.config["SESSION_COOKIE_SECURE"] = True
    with trusted.connect() as stream:
        stream.sendall(b"GET /login HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        head = b""
        while b"\r\n\r\n" not in head:
            head += stream.recv(65536)
    head = head.split(b"\r\n\r\n")[0].lower()
    assert b"; secure;" in head
    assert b"strict-transport-security" not in head


@pytest.mark.parametrize(
    ("base", "secure"),
    [("http://localhost:8765", True), ("http://127.0.0.1:8765", True), ("http://[::1]:8765", True),
     ("http://tool.localhost", True), ("https://192.0.2.20:8765", True),
     ("http://192.0.2.20:8765", False), ("http://shop-pc.local:8765", False),
     ("http://localhost.example", False), ("http://[2001:db8::1]", False)],
)  # fmt: skip
def test_a_page_knows_whether_the_browser_counts_its_address_as_secure(app, base, secure):
    with app.test_request_context("/", base_url=base):
        source = "{{ secure_origin() }}{% include '_plain_http.html' %}"
        words = app.jinja_env.from_string(source).render()
    assert words.startswith(str(secure))
    assert ("plain HTTP" in words) is not secure


def test_two_authorities_are_told_apart_by_their_fingerprints(keeper, tmp_path, now):
    other = make_keeper(tmp_path / "other", now)
    assert trust_at(other, HERE_ONLY).fingerprint != trust_at(keeper, HERE_ONLY).fingerprint
