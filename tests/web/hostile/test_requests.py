"""Requests that no page of ours makes: foreign hosts, odd paths, odd values, far too much."""

from __future__ import annotations

import io
import re

import pytest
from support.hostile import looked_at

from trialog.web.security import LARGEST_REQUEST, safe_next

pytestmark = pytest.mark.database("sqlite")

ELSEWHERE = "elsewhere.example"
KEPT = {"static", "plotly_js", "logging.photo", "help.image", "logging.part", "logging.texts",
        "logging.tablet", "logging.manifest", "logging.worker", "trials.asset"}  # fmt: skip
"""What a browser may keep: it is the same for everybody, or stands under its own hash."""

NO_PAGE = {"logging.photo", "shifts.file"}
"""What is looked at, or kept, and nothing else."""

STRICT = {
    "default-src": "'self'", "object-src": "'none'", "base-uri": "'none'",
    "frame-ancestors": "'none'", "form-action": "'self'",
}  # fmt: skip
TABLET = STRICT | {
    "connect-src": "'self'", "worker-src": "'self'", "manifest-src": "'self'",
    "img-src": "'self' blob:", "form-action": "'none'",
}  # fmt: skip
CHARTS = STRICT | {"style-src": "'self' 'unsafe-inline'", "img-src": "'self' data: blob:"}


def test_every_answer_carries_the_headers_that_keep_it_to_itself(app, records, admin, stranger):
    wrong, charts = [], set()
    for visitor in (admin, stranger):
        for endpoint, address in looked_at(app, records):
            with visitor.get(address) as answer:
                if answer.status_code == 429 or endpoint.startswith("api."):
                    continue
                parts = answer.headers["Content-Security-Policy"].split("; ")
                policy = dict(part.partition(" ")[::2] for part in parts)
                charts |= {endpoint} if policy == CHARTS else set()
                strict = policy in (STRICT, CHARTS, TABLET)
                if endpoint in NO_PAGE and answer.status_code == 200:
                    strict = policy == {"default-src": "'none'", "sandbox": ""}
                told = answer.headers.get("Cache-Control", "")
                kept = endpoint in KEPT or "no-store" in told
                good = (
                    strict, kept,
                    answer.headers["X-Content-Type-Options"] == "nosniff",
                    answer.headers["X-Frame-Options"] == "DENY",
                    answer.headers["Referrer-Policy"] == "same-origin",
                )  # fmt: skip
                if not all(good):
                    wrong.append((endpoint, answer.status_code, *good))
    assert wrong == []
    assert "trials.show" in charts
    assert not charts & {"auth.login", "people.index", "trials.sign", "tablets.index", "home.index"}


@pytest.mark.parametrize("host", [ELSEWHERE, f"{ELSEWHERE}:80", f"localhost@{ELSEWHERE}"])
def test_a_forged_host_shows_up_in_nothing_that_leaves_the_browser_that_sent_it(
    app, records, admin, host
):
    """An engineer's own browser says where tablets find the server; nothing else asks the host."""
    named = []
    for endpoint, address in looked_at(app, records):
        with admin.get(address, headers={"Host": host}) as answer:
            assert answer.status_code < 500, address
            if ELSEWHERE.encode() in answer.data or ELSEWHERE in str(answer.headers):
                named.append(endpoint)
    assert set(named) <= {"tablets.new", "trust.show", "api.document", "api.browse"}


@pytest.mark.parametrize(
    "host", ["", "[", "a b", "\u00e9", "x" * 5000, "a/b", "a#b", "127.0.0.1:99999", "[::1", "a\\b"]
)
def test_a_host_that_is_none_breaks_nothing(admin, host):
    for address in ("/", "/tablets", "/login"):
        headers = {"Host": host.encode().decode("latin-1")}
        assert admin.get(address, headers=headers).status_code < 500
        answer = admin.client.post(address, headers=headers, data={"csrf_token": "x"})
        assert answer.status_code < 500


ODD_PATHS = (
    "../../../../etc/passwd", "..%2f..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/etc/passwd",
    "....//....//etc/passwd", "..\\..\\pyproject.toml", "..%5c..%5cpyproject.toml", "/etc/passwd",
    "%00", "a%00.css", "~root", "C:%5cWindows%5cwin.ini", "file:///etc/passwd", "index.md",
    "__init__.py", ".", "..", "%252e%252e%252fetc%252fpasswd", "\u2025/etc/passwd", "x" * 3000,
)  # fmt: skip
PLACES = (
    "/static/{}", "/static/tablet/{}", "/help/{}", "/help/images/{}.svg", "/help/schema/{}.json",
    "/photos/{}", "/files/{}", "/tablet/{}", "/tablet/texts/{}.json", "/trials/assets/{}",
    "/reports/1.{}", "/trials/1/report.{}", "/api/v1/{}",
)  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
def test_no_path_leads_out_of_what_is_served(admin, records, place):
    for odd in ODD_PATHS:
        with admin.get(place.format(odd), follow_redirects=True) as answer:
            assert answer.status_code in (200, 400, 401, 404, 405), (place, odd)
            text = answer.data.decode(errors="replace")
            for secret in ("root:", "[project]", "from __future__", "; for 16-bit app"):
                assert secret not in text, (place, odd)


@pytest.mark.parametrize(
    "target",
    ["//elsewhere.example", "/\\elsewhere.example", "\\\\elsewhere.example", "/\t/elsewhere",
     "https:elsewhere.example", "javascript:alert(1)", "/%09/elsewhere.example\n", "////elsewhere",
     "http:///elsewhere.example", "/\u2028/elsewhere.example", "data:text/html,x", " //elsewhere"],
)  # fmt: skip
def test_no_address_leads_from_here_to_elsewhere(app, target):
    with app.test_request_context():
        assert safe_next(target) == "/"


def test_where_to_go_after_signing_in_is_a_path_of_ours_whatever_stands_in_it(
    app, stranger, people
):
    odd = "/people?x=%0d%0aSet-Cookie:%20a=b"
    answer = stranger.post(
        "/login", {"name": people.admin.name, "pin": "4444", "next": odd}, page="/login"
    )
    assert answer.location.startswith("/people?x=%0")
    assert "\n" not in answer.location
    assert not any(cookie.startswith("a=") for cookie in answer.headers.getlist("Set-Cookie"))


ODD_VALUES = (
    "'", "''", '"', "1' OR '1'='1", "1; DROP TABLE person", "1 UNION SELECT pin_hash FROM person",
    "%", "_", "\\", "\x00", "-1", "0", "1e999", "NaN", "99999999999999999999", "1.5", "\u0661",
    "\ud7ff", "[]", "{}", "null", "2026-13-45", "0001-01-01", "9999-12-31", "\u202e", " ",
    "x" * 4000,
)  # fmt: skip
ASKED = {
    "/audit": (
        "person",
        "action",
        "subject",
        "since",
        "until",
        "page",
        "filter",
        "number",
        "from",
        "to",
    ),
    "/audit.csv": ("person", "subject", "from", "to"),
    "/audit.json": ("person", "subject", "from", "to"),
    "/reports": ("cell", "kind", "since", "until", "page", "words", "from", "to", "filter"),
    "/fleet": ("find", "words", "page", "language"),
    "/trials/1": ("language", "paper", "page"),
    "/trials/1/rulings": ("device", "mode", "shift", "page", "ruled", "filter"),
    "/trials/1/export.csv": ("language", "from", "to"),
    "/trials/1/what-if": ("failures", "cycles", "id", "line"),
    "/trials/1/report.csv": ("table", "language", "paper"),
    "/planner": ("hours", "chance", "confidence", "cycle_seconds", "rate", "good_pass"),
    "/cells/1/readiness": ("language",),
    "/tablets/new": ("cell",),
    "/api/v1/cells": ("limit", "cursor", "name"),
    "/api/v1/cells/1/entries": ("limit", "cursor", "after", "kind"),
}


@pytest.mark.parametrize("address", ASKED)
def test_odd_values_in_an_address_neither_break_a_page_nor_open_more_of_it(
    app, records, admin, address
):
    """The database gets values, never words of its language."""
    token = {"Authorization": f"Bearer {records.token}"} if address.startswith("/api") else {}
    plain = admin.get(address, headers=token)
    assert plain.status_code in (200, 404, 405), plain.status_code
    for odd in ODD_VALUES:
        asked = dict.fromkeys(ASKED[address], odd)
        with admin.get(address, query_string=asked, headers=token) as answer:
            assert answer.status_code < 500, (address, odd)
            assert b"$argon2id$" not in answer.data
    assert len(admin.get(address, headers=token).data) > 0


def unsafe(app, records):
    return [
        (method, records.address(rule))
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"GET", "HEAD", "OPTIONS"}
    ]


class Endless(io.RawIOBase):
    """A body that says how long it is and counts what is read of it."""

    def __init__(self, size):
        super().__init__()
        self.size, self.taken = size, 0

    def readable(self):
        return True

    def seekable(self):
        return True

    def seek(self, *_where):
        return 0

    def readinto(self, buffer):
        count = min(len(buffer), self.size - self.taken)
        buffer[:count] = b"x" * count
        self.taken += count
        return count


FORM = "application/x-www-form-urlencoded"


@pytest.mark.parametrize("kind", ["application/json", FORM, "multipart/form-data; boundary=b"])
def test_a_body_that_is_too_large_is_refused_and_hardly_read_on_every_route(
    app, records, *, admin, kind
):
    """What says that it is too large is not read at all; nothing of it is kept in memory."""
    wrong = []
    for method, address in unsafe(app, records):
        for key in (None, records.tablet.key, records.token):
            body = Endless(LARGEST_REQUEST + 1)
            headers = {"Content-Length": str(body.size)}
            headers |= {} if key is None else {"Authorization": f"Bearer {key}"}
            with admin.client.open(
                address, method=method, input_stream=body, headers=headers, content_type=kind
            ) as answer:
                if answer.status_code >= 500 or body.taken > 64 * 1024:
                    wrong.append((method, address, answer.status_code, body.taken))
    assert wrong == []


def test_a_body_that_is_packed_is_not_unpacked(records):
    """A few bytes could stand for gigabytes; nobody needs to send them packed."""
    answer = records.tablet.open(
        "POST", "/api/tablet/entries", data=b"\x1f\x8b", content_type="application/json",
        headers={"Content-Encoding": "gzip"},
    )  # fmt: skip
    assert answer.status_code == 422
    assert re.search("well-formed JSON", answer.text)
