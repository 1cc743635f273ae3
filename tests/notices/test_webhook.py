"""The webhook: signed JSON to a real HTTP receiver, which may be slow, wrong or rude."""

from __future__ import annotations

import hashlib
import hmac
import json
import subprocess
import threading
from datetime import UTC, datetime
from functools import partial
from http.client import HTTPException

import pytest
from support.receiver import http_receiver, raw_receiver

from trialog.notices.patience import within
from trialog.notices.settings import read_notice_settings
from trialog.notices.webhook import send_webhook, signature
from trialog.notices.why import why

from .conftest import SECRET, by_webhook

AT = datetime(2026, 3, 2, 14, 0, tzinfo=UTC)
DATA = {"id": "0123abcd", "kind": "test", "text": "Spülung · 4 °C"}


def send(receiver, timeout=10.0, patience=60.0, url=None):
    """Send some data; return "taken", or why not."""
    given = by_webhook(receiver) | ({} if url is None else {"WEBHOOK_URL": url})
    settings = read_notice_settings(given).webhook
    try:
        within(patience, partial(send_webhook, settings, DATA, now=AT, timeout=timeout))
    except (OSError, HTTPException) as error:
        return why(error)
    return "taken"


def is_signed(request, secret=SECRET):
    """Check a request as the help tells receivers to."""
    stamped = request.headers["X-Trialog-Timestamp"].encode() + b"." + request.body
    expected = "sha256=" + hmac.new(secret.encode(), stamped, hashlib.sha256).hexdigest()
    return hmac.compare_digest(expected, request.headers["X-Trialog-Signature"])


def test_the_data_arrive_signed(receiver):
    assert send(receiver) == "taken"
    (request,) = receiver.received
    assert request.path == "/hooks?from=trialog"
    assert request.headers["Content-Type"] == "application/json"
    assert request.headers["X-Trialog-Id"] == "0123abcd"
    assert request.headers["X-Trialog-Timestamp"] == "1772460000"
    assert is_signed(request)
    assert json.loads(request.body) == DATA


def test_an_address_without_a_path_is_asked_at_its_top(receiver):
    assert send(receiver, url=receiver.url.partition("/hooks")[0]) == "taken"
    assert receiver.received[0].path == "/"


def test_the_signature_is_what_openssl_makes_of_it():
    made = subprocess.run(
        ["openssl", "dgst", "-sha256", "-hmac", SECRET],
        input=b'1772460000.{"kind": "test"}', capture_output=True, check=True,
    )  # fmt: skip
    theirs = made.stdout.decode().rpartition(" ")[2].strip()
    assert signature(SECRET, "1772460000", b'{"kind": "test"}') == f"sha256={theirs}"


def test_another_secret_another_time_or_another_body_has_another_signature():
    one = signature(SECRET, "1772460000", b"{}")
    assert signature("some other secret", "1772460000", b"{}") != one
    assert signature(SECRET, "1772460001", b"{}") != one
    assert signature(SECRET, "1772460000", b"[]") != one


def test_a_receiver_with_another_secret_says_no(receiver):
    receiver.answer = lambda request: 204 if is_signed(request, "the one of before") else 401
    assert send(receiver) == "the receiver answered 401 Unauthorized"


@pytest.mark.parametrize("status", [400, 404, 410, 500, 503])
def test_any_answer_but_taken_is_a_no(receiver, status):
    receiver.answer = lambda _request: status
    assert send(receiver).startswith(f"the receiver answered {status} ")


@pytest.mark.parametrize("status", [200, 201, 202, 204])
def test_every_answer_in_the_two_hundreds_is_taken(receiver, status):
    receiver.answer = lambda _request: status
    assert send(receiver) == "taken"


@pytest.mark.parametrize("status", [301, 302, 307, 308])
def test_a_redirect_is_not_followed(receiver, status):
    receiver.answer = lambda _request: status
    receiver.headers = {"Location": "/elsewhere"}
    assert "redirects are not followed" in send(receiver)
    assert [request.path for request in receiver.received] == ["/hooks?from=trialog"]


def test_nobody_there():
    with http_receiver() as gone:
        pass
    assert "refused" in send(gone)


def test_an_answer_that_does_not_come_is_not_waited_for(receiver):
    answer = threading.Event()
    receiver.answer = lambda _request: answer.wait() and 204
    assert send(receiver, timeout=0.05) == "no answer in time"
    answer.set()


def test_an_answer_that_comes_drop_by_drop_is_not_waited_for():
    over = threading.Event()

    def pieces():
        yield b"HTTP/1.1 200 OK\r\nX-Words: "
        while not over.wait(0.01):
            yield b"a"

    with raw_receiver(pieces) as drip:
        said = send(drip, patience=0.1)
        over.set()
    assert said == "it took longer than 0.1 s in all"


def test_an_answer_that_is_no_http_is_a_no():
    with raw_receiver(lambda: [b"\x00\x01 hello\r\n\r\n"]) as babble:
        assert "hello" in send(babble)


def test_no_answer_at_all_is_a_no():
    with raw_receiver(list) as silent:
        assert "without response" in send(silent)


def test_over_https_it_knows_whom_it_speaks_with(server_tls):
    with http_receiver(server_tls()) as receiver:
        assert send(receiver) == "taken"
    assert is_signed(receiver.received[0])


def test_over_https_a_stranger_gets_nothing(server_tls, monkeypatch):
    tls = server_tls()
    monkeypatch.delenv("SSL_CERT_FILE")
    with http_receiver(tls) as receiver:
        assert send(receiver).startswith("the certificate was not accepted: ")
    assert receiver.received == []
