"""A real browser at the HTTPS address: what it withholds over plain HTTP works here."""

from __future__ import annotations

import base64
import hashlib

import pytest
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from support.browsing import SWITCHES, browser_path
from support.https import secured

from trialog.web.tls.issuing import find_kept
from trialog.web.tls.trust import Trust, set_trust


@pytest.fixture
def trusted(app, keeper):
    with secured(app, keeper) as server:
        set_trust(app, Trust(keeper, "127.0.0.1", server.port, server.trust_port))
        yield server


def pin_of(folder):
    """Return the hash by which a browser is told to take one server's key and no other."""
    key = find_kept(folder).certificate.public_key()
    content = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    return base64.b64encode(hashlib.sha256(content).digest()).decode()


@pytest.fixture
def open_page(playwright, tmp_path):
    """Return a maker of pages in a browser of its own, which takes the keys it is told of."""
    contexts = []

    def make(*pins):
        taken = [f"--ignore-certificate-errors-spki-list={','.join(pins)}"] if pins else []
        context = playwright.chromium.launch_persistent_context(
            tmp_path / f"profile{len(pins)}", executable_path=browser_path(),
            args=[*SWITCHES, *taken],
        )  # fmt: skip
        contexts.append(context)
        return context.new_page()

    yield make
    for context in contexts:
        context.close()


@pytest.mark.database("sqlite")  # the browser is what is looked at
def test_a_browser_that_takes_the_key_gets_a_secure_context(trusted, people, open_page, tmp_path):
    page = open_page(pin_of(tmp_path / "tls"))
    for host in ("localhost", "127.0.0.1"):
        assert page.goto(f"https://{host}:{trusted.port}/login").status == 200
        assert page.evaluate("isSecureContext && 'serviceWorker' in navigator && !!crypto.subtle")
    page.get_by_label(people.operator.name).check()
    page.get_by_label("PIN").fill(people.pin(people.operator))
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"https://127.0.0.1:{trusted.port}/")


@pytest.mark.database("sqlite")  # the browser is what is looked at
def test_the_tablet_pages_service_worker_registers(trusted, open_page, tmp_path):
    page = open_page(pin_of(tmp_path / "tls"))
    page.goto(f"https://localhost:{trusted.port}/tablet/")
    register = "navigator.serviceWorker.register('/tablet/sw.js', {scope: '/tablet/'})"
    scope = page.evaluate(f"{register}.then(made => made.scope)")
    assert scope == f"https://localhost:{trusted.port}/tablet/"


@pytest.mark.database("sqlite")  # the browser is what is looked at
def test_a_browser_that_was_told_nothing_refuses(trusted, open_page):
    from playwright.sync_api import Error  # noqa: PLC0415 - slow to import

    page = open_page()
    with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
        page.goto(f"https://localhost:{trusted.port}/login")


@pytest.mark.database("sqlite")  # the browser is what is looked at
@pytest.mark.parametrize("width", [360, 800, 1280])
def test_the_plain_page_is_whole_and_complains_of_nothing(trusted, browser, width):
    context = browser.new_context(viewport={"width": width, "height": 800})
    page, complaints = context.new_page(), []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("requestfailed", lambda request: complaints.append(request.url))
    page.goto(f"http://127.0.0.1:{trusted.trust_port}/")
    assert page.get_by_role("heading", name="Trust this server").is_visible()
    spill = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert page.evaluate(spill) <= 0
    with page.expect_download() as download:
        page.get_by_role("link", name="Load trialog-ca.crt").click()
    assert download.value.suggested_filename == "trialog-ca.crt"
    context.close()
    assert complaints == []
