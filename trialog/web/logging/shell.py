"""The tablet page's shell: what a tablet keeps so that the page opens without a network.

The page is the same for everybody, so a tablet may keep it; whatever differs comes from the
API. Its version is a hash over all of it: another version is another address in the tablet's
cache, and old and new never mix.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, cast

from flask import Response, abort, current_app, render_template, request, url_for

from trialog.web.assets import A_YEAR, PACKED, text_answer
from trialog.web.logging import bp
from trialog.web.security import public

TEXTS = Path(__file__).parent / "texts"
ENGLISH = "en"
ICONS = (("tablet/icon-192.png", 192), ("tablet/icon-512.png", 512))

POLICY = "; ".join(
    (
        "default-src 'self'",
        "connect-src 'self'",
        "worker-src 'self'",
        "manifest-src 'self'",
        "img-src 'self' blob:",  # a photo is looked at before it is sent
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
"""No inline script and no inline style anywhere on the tablet page."""

STYLES = ("tokens", "tablet/themes", "tablet/page", "tablet/board", "tablet/sheets")
SCRIPTS = (
    "settings", "texts",
    # What the page needs to keep, send and sign in; it knows nothing of the board.
    "hearing", "digest", "clock", "disk", "store", "server", "facts", "outbox", "sending", "people",
    "update", "signing",
    "standing", "clearing", "words", "feel", "taps", "sheets", "shift", "machine", "strip", "modes",
    "board", "undo", "counter", "stops", "notes", "photos", "checks", "opening", "halts", "closing",
    "unsent", "about", "guide", "tablet",
)  # fmt: skip
"""The page's scripts in the order in which they need one another."""

_NAMED = re.compile(r'(?:src|href)="([^"]*?/static/[^"]+|[^"]*/tablet/page\.[^"]+)"')


@dataclass(frozen=True)
class Shell:
    """Everything that one version of the tablet page is made of."""

    version: str
    page: bytes
    worker: bytes
    manifest: bytes


@cache
def catalogue(language: str) -> bytes:
    """Return one language's texts, as the file has them but without its line breaks."""
    texts = json.loads((TEXTS / f"{language}.json").read_bytes())
    return json.dumps(texts, ensure_ascii=False, separators=(",", ":")).encode()


@cache
def joined(kind: str) -> bytes:
    """Return all scripts ("js"), or all style sheets ("css"), as one file.

    Forty small files would cost a tablet on bad Wi-Fi more in headers than in content.
    """
    names = STYLES if kind == "css" else [f"tablet/{name}" for name in SCRIPTS]
    folder = Path(current_app.static_folder or "")
    return b"\n".join((folder / f"{name}.{kind}").read_bytes() for name in names)


def languages() -> list[str]:
    """Return the tags of all languages that have a file, English first."""
    tags = {path.stem for path in TEXTS.glob("*.json")}
    return [ENGLISH, *sorted(tags - {ENGLISH})]


def text(key: str) -> str:
    """Return an English text for the page as it is rendered; a missing one is a mistake of ours."""
    return str(_english()[key])


@cache
def _english() -> Mapping[str, str]:
    return cast("Mapping[str, str]", json.loads(catalogue(ENGLISH))["texts"])


def version() -> str:
    """Return the version of the shell that this server serves."""
    return shell().version


def shell() -> Shell:
    """Return the shell; it is made once for each path under which the app is served."""
    made: dict[str, Shell] = current_app.extensions.setdefault("trialog_shell", {})
    if request.script_root not in made:
        made[request.script_root] = _make_shell()
    return made[request.script_root]


def _make_shell() -> Shell:
    manifest = json.dumps(_manifest()).encode()
    draft = _render("")
    files = [*dict.fromkeys(_NAMED.findall(draft)), *_texts_of().values(), _manifest_url()]
    parts = (draft, manifest.decode(), _worker("", files))
    number = _hash("\0".join(parts).encode())
    return Shell(number, _render(number).encode(), _worker(number, files).encode(), manifest)


def _worker(number: str, files: list[str]) -> str:
    page = url_for("logging.tablet")
    return render_template("logging/sw.js", version=number, files=files, page=page)


def _render(number: str) -> str:
    return render_template(
        "logging/tablet.html",
        version=number,
        text=text,
        shelf=_shelf(),
        manifest=_manifest_url(),
        style=_joined_url("css"),
        script=_joined_url("js"),
    )


def _joined_url(kind: str) -> str:
    return url_for("logging.part", kind=kind, v=_hash(joined(kind)))


def _shelf() -> dict[str, dict[str, str]]:
    """Return each language's own name for itself, and where its texts are."""
    return {
        tag: {"name": json.loads(catalogue(tag))["language"]["name"], "address": address}
        for tag, address in _texts_of().items()
    }


def _texts_of() -> dict[str, str]:
    """Return the address of each language's texts; it changes with them."""
    return {
        tag: url_for("logging.texts", language=tag, v=_hash(catalogue(tag))) for tag in languages()
    }


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:12]


def _manifest_url() -> str:
    return url_for("logging.manifest")


def _manifest() -> Mapping[str, Any]:
    """Return what a tablet needs to put the page among its apps."""
    home = url_for("logging.tablet")
    return {
        "id": home,
        "start_url": home,
        "scope": home,
        "name": "trialog: log at the machine",
        "short_name": "trialog",
        "lang": ENGLISH,
        "display": "standalone",
        "orientation": "any",
        "background_color": "#e9ece6",
        "theme_color": "#17352f",
        "icons": [
            {
                "src": url_for("static", filename=name),
                "sizes": f"{size}x{size}",
                "type": "image/png",
                "purpose": "any maskable",
            }
            for name, size in ICONS
        ],
    }


def _no_longer_than_needed(response: Response) -> Response:
    """Let a browser keep an answer, but ask each time whether it still holds."""
    response.headers["Cache-Control"] = "no-cache"
    response.headers["Trialog-Version"] = version()
    return response


@bp.get("/tablet/")
@public
def tablet() -> Response:
    """Serve the tablet page: the same to everybody, signed in or not."""
    response = text_answer(shell().page, "text/html")
    response.headers["Content-Security-Policy"] = POLICY
    return _no_longer_than_needed(response)


@bp.get("/tablet/sw.js")
@public
def worker() -> Response:
    """Serve the script that opens the page where there is no network."""
    return _no_longer_than_needed(text_answer(shell().worker, "text/javascript"))


@bp.get("/tablet/app.webmanifest")
@public
def manifest() -> Response:
    """Serve what a tablet needs to put the page among its apps."""
    return _no_longer_than_needed(text_answer(shell().manifest, "application/manifest+json"))


@bp.get("/tablet/texts/<language>.json")
@public
def texts(language: str) -> Response:
    """Serve the texts of one language; the address that the page uses changes with them."""
    if language not in languages():
        abort(404)
    return _for_keeps(text_answer(catalogue(language), "application/json"))


@bp.get("/tablet/page.<any(css, js):kind>")
@public
def part(kind: str) -> Response:
    """Serve the page's scripts, or its style sheets; the address changes with them."""
    return _for_keeps(text_answer(joined(kind), PACKED[f".{kind}"]))


def _for_keeps(response: Response) -> Response:
    response.headers["Cache-Control"] = f"public, max-age={A_YEAR}, immutable"
    return response
