"""Static files that a browser may keep: their address changes with their content."""

from __future__ import annotations

import gzip
import hashlib
from functools import cache
from pathlib import Path
from typing import Any

import plotly
from flask import Flask, Response, g, jsonify, request
from sqlalchemy import text

from trialog.web.database import get_session
from trialog.web.security import public

A_YEAR = 365 * 24 * 3600


@cache
def fingerprint(path: Path) -> str:
    """Return a short hash of a file's content."""
    return hashlib.sha256(path.read_bytes()).hexdigest()[:12]


@cache
def plotly_script() -> tuple[bytes, bytes]:
    """Return the chart library's script, plain and gzipped."""
    plain = (Path(plotly.__file__).parent / "package_data" / "plotly.min.js").read_bytes()
    return plain, gzip.compress(plain, compresslevel=6, mtime=0)


def init_app(app: Flask) -> None:
    """Serve static files for keeps, the chart library, and a sign of life."""
    app.config["SEND_FILE_MAX_AGE_DEFAULT"] = A_YEAR
    app.url_defaults(_add_fingerprint(app))
    app.add_url_rule("/assets/plotly.min.js", "plotly_js", public(_plotly_js))
    app.add_url_rule("/health", "health", public(_health))


def _add_fingerprint(app: Flask) -> Any:
    def add(endpoint: str, values: dict[str, Any]) -> None:
        if endpoint == "static" and "filename" in values and app.static_folder:
            path = Path(app.static_folder, values["filename"])
            if path.is_file():
                values["v"] = fingerprint(path)
        elif endpoint == "plotly_js":
            values["v"] = plotly.__version__

    return add


def _plotly_js() -> Response:
    """Serve the chart library that came with Python, precompressed; report pages only."""
    g.cacheable = True
    plain, packed = plotly_script()
    gzipped = request.accept_encodings["gzip"] > 0
    response = Response(packed if gzipped else plain, mimetype="text/javascript")
    if gzipped:
        response.headers["Content-Encoding"] = "gzip"
    response.headers["Vary"] = "Accept-Encoding"
    response.headers["Cache-Control"] = f"public, max-age={A_YEAR}, immutable"
    return response


def _health() -> Response:
    """Say that the server and its database answer."""
    get_session().execute(text("SELECT 1"))
    return jsonify(status="ok")
