"""Static files that a browser may keep: their address changes with their content."""

from __future__ import annotations

import gzip
import hashlib
import io
import secrets
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, cast

import plotly
from flask import Flask, Response, g, request
from werkzeug.security import safe_join
from werkzeug.wrappers import Response as AnyResponse

from trialog.web.security import public

A_YEAR = 365 * 24 * 3600

PACKED = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
"""Static files that are text and get smaller, with their types."""


PACKED_PAGES = {"text/html", "application/json"}
WORTH_PACKING = 1_000
"""Bytes of a page below which packing it saves no packet."""

NOT_MODIFIED = 304

QUICKLY = 4
"""How hard pages are packed: a page of 200 kB in a few milliseconds."""

MOST_PADDING = 100


@cache
def fingerprint(path: Path) -> str:
    """Return a short hash of a file's content."""
    return hashlib.sha256(path.read_bytes()).hexdigest()[:12]


@cache
def plotly_script() -> bytes:
    """Return the chart library's script."""
    return (Path(plotly.__file__).parent / "package_data" / "plotly.min.js").read_bytes()


def init_app(app: Flask) -> None:
    """Serve static files for keeps, and the chart library."""
    app.config["SEND_FILE_MAX_AGE_DEFAULT"] = A_YEAR
    app.view_functions["static"] = public(_packed_static(app))
    app.url_defaults(_add_fingerprint(app))
    app.add_url_rule("/assets/plotly.min.js", "plotly_js", public(_plotly_js))
    app.after_request(_pack_page)


def _add_fingerprint(app: Flask) -> Any:
    def add(endpoint: str, values: dict[str, Any]) -> None:
        if endpoint == "static" and "filename" in values and app.static_folder:
            path = Path(app.static_folder, values["filename"])
            if path.is_file():
                values["v"] = fingerprint(path)
        elif endpoint == "plotly_js":
            values["v"] = plotly.__version__

    return add


def _packed_static(app: Flask) -> Callable[..., AnyResponse]:
    """Serve static text files packed: a tablet on bad Wi-Fi waits for every one of them."""

    def send(filename: str) -> AnyResponse:
        path = safe_join(str(app.static_folder), filename)
        kind = PACKED.get(Path(filename).suffix)
        if path is None or kind is None or not Path(path).is_file():
            return app.send_static_file(filename)
        response = text_answer(_content(Path(path)), kind)
        response.headers["Cache-Control"] = f"public, max-age={A_YEAR}"
        return response

    return send


@cache
def _content(path: Path) -> bytes:
    return path.read_bytes()


@cache
def _packed(plain: bytes) -> bytes:
    return gzip.compress(plain, compresslevel=9, mtime=0)


@cache
def _tag(plain: bytes) -> str:
    return hashlib.sha256(plain).hexdigest()[:16]


def text_answer(plain: bytes, kind: str) -> Response:
    """Answer with a text that every visitor may see and keep: packed for who takes it so.

    The text is kept packed for as long as the server runs: for files and pages of which
    there are few, not for what differs by visitor.
    """
    g.cacheable = True
    packed = request.accept_encodings["gzip"] > 0
    response = Response(_packed(plain) if packed else plain, mimetype=kind)
    response.headers["Vary"] = "Accept-Encoding"
    tag = _tag(plain)
    if packed:
        response.headers["Content-Encoding"] = "gzip"
    response.set_etag(f"{tag}-gzip" if packed else tag)
    return cast(Response, response.make_conditional(request))


def _pack_page(response: Response) -> Response:
    """Send a page packed: one with charts is a sixth of its size then.

    Its size is made to vary by chance, with a name of random length that unpacking ignores. Else
    somebody who can have pages fetched, and sees how long they are, could guess at what is in
    them, letter by letter.
    """
    if (
        response.is_streamed
        or response.mimetype not in PACKED_PAGES
        or "Content-Encoding" in response.headers
        or request.accept_encodings["gzip"] <= 0
        or len(plain := response.get_data()) < WORTH_PACKING
    ):
        return response
    response.vary.add("Accept-Encoding")
    tag, _ = response.get_etag()
    if tag is not None:
        response.set_etag(tag, weak=True)
    if response.status_code == NOT_MODIFIED:
        return response
    packed = io.BytesIO()
    name = "-" * (1 + secrets.randbelow(MOST_PADDING))
    with gzip.GzipFile(name, "wb", QUICKLY, packed, mtime=0) as file:
        file.write(plain)
    response.set_data(packed.getvalue())
    response.headers["Content-Encoding"] = "gzip"
    return response


def _plotly_js() -> Response:
    """Serve the chart library that came with Python, precompressed; report pages only."""
    response = text_answer(plotly_script(), "text/javascript")
    response.headers["Cache-Control"] = f"public, max-age={A_YEAR}, immutable"
    return response
