"""The tablet page's files as a server gives them: small, the same for everybody, to be kept."""

from __future__ import annotations

import gzip
import json
import re

import pytest

from trialog.web.logging import shell

pytestmark = pytest.mark.database("sqlite")  # no line of this asks a database

PACKED = {"Accept-Encoding": "gzip"}
NAMED = re.compile(r'(?:src|href)="([^"#]+)"')


@pytest.fixture
def shop(stranger):
    """Return what gets a path as a stranger does, read to its end."""

    def get(path, **headers):
        with stranger.get(path, headers=headers) as answer:
            answer.get_data()
            return answer

    return get


def unpacked(answer):
    """Return an answer's content as a browser sees it."""
    packed = answer.headers.get("Content-Encoding") == "gzip"
    return gzip.decompress(answer.data) if packed else answer.data


def packed_size(get, path):
    answer = get(path, **PACKED)
    assert answer.status_code == 200, path
    return len(answer.data)


def files_of(get):
    """Return the addresses of everything that the first load needs, as the page names them."""
    page = get("/tablet/").text
    shelf = json.loads(re.search(r'id="languages">(.*?)</script>', page)[1])
    return [*NAMED.findall(page), shelf["en"]["address"]]


def test_the_page_is_the_same_for_everybody_and_names_nobody(shop, operator, people):
    page = shop("/tablet/").data
    assert operator.get("/tablet/").data == page
    assert people.operator.name.encode() not in page
    assert b"csrf" not in page


def test_the_page_is_asked_for_anew_but_not_sent_again(shop):
    answer = shop("/tablet/")
    assert answer.headers["Cache-Control"] == "no-cache"
    assert "Set-Cookie" not in answer.headers
    again = shop("/tablet/", **{"If-None-Match": answer.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")


def test_the_page_allows_itself_nothing_from_elsewhere_and_nothing_inline(shop):
    answer = shop("/tablet/")
    policy = dict(
        part.strip().split(" ", 1) for part in answer.headers["Content-Security-Policy"].split(";")
    )
    assert policy.pop("img-src") == "'self' blob:"
    assert set(policy.values()) == {"'self'", "'none'"}
    assert not re.search(
        r"<style|\sstyle=|\son\w+=|<script(?![^>]*\ssrc=)(?![^>]*json)", answer.text
    )


def test_the_first_load_is_below_80_kilobytes(shop):
    sizes = {path: packed_size(shop, path) for path in [*files_of(shop), "/tablet/"]}
    assert sum(sizes.values()) + packed_size(shop, "/tablet/sw.js") < 80_000, sizes


def test_everything_the_page_names_is_in_the_workers_list(shop):
    files = json.loads(re.search(r"FILES = (\[.*?\]);", shop("/tablet/sw.js").text)[1])
    assert set(files_of(shop)) <= set(files)
    for path in files:
        assert shop(path).status_code == 200


def test_page_and_worker_name_the_same_version(shop):
    version = shop("/tablet/").headers["Trialog-Version"]
    assert f'content="{version}"' in shop("/tablet/").text
    assert f'VERSION = "{version}"' in shop("/tablet/sw.js").text


def test_the_version_changes_with_any_file(app, shop, monkeypatch):
    def version():
        app.extensions.pop("trialog_shell", None)
        return shop("/tablet/").headers["Trialog-Version"]

    first = version()
    assert version() == first
    monkeypatch.setattr("trialog.web.assets.fingerprint", lambda _path: "another")
    second = version()
    monkeypatch.setattr(
        shell, "catalogue", lambda _language: b'{"language": {"name": "E"}, "texts": {}}'
    )
    monkeypatch.setattr(shell, "text", lambda key: key)
    assert len({first, second, version()}) == 3


def test_the_manifest_makes_an_app_of_the_page(shop):
    answer = shop("/tablet/app.webmanifest")
    assert answer.mimetype == "application/manifest+json"
    manifest = json.loads(answer.data)
    assert manifest["start_url"] == manifest["scope"] == "/tablet/"
    assert manifest["display"] == "standalone"
    for icon in manifest["icons"]:
        assert shop(icon["src"]).mimetype == "image/png"


def test_texts_of_a_language_come_by_their_tag_only(shop):
    assert json.loads(shop("/tablet/texts/en.json").data)["language"]["tag"] == "en"
    assert shop("/tablet/texts/xx.json").status_code == 404
    assert shop("/tablet/texts/..%2fshell.json").status_code == 404


@pytest.mark.parametrize("path", ["/static/app.css", "/static/tablet/store.js", "/static/icon.svg"])
def test_static_texts_are_packed_for_who_takes_them_packed(shop, path):
    plain = shop(path)
    packed = shop(path, **PACKED)
    assert "Content-Encoding" not in plain.headers
    assert unpacked(packed) == plain.data
    assert len(packed.data) < len(plain.data)
    assert "Accept-Encoding" in plain.headers["Vary"]
    assert "Accept-Encoding" in packed.headers["Vary"]
    assert plain.headers["ETag"] != packed.headers["ETag"]
    assert "max-age=31536000" in packed.headers["Cache-Control"]
    assert shop(path, **{"Accept-Encoding": "gzip;q=0"}).data == plain.data


def test_pictures_and_missing_files_are_answered_as_before(shop):
    picture = shop("/static/tablet/icon-192.png", **PACKED)
    assert (picture.status_code, picture.headers.get("Content-Encoding")) == (200, None)
    assert shop("/static/nothing.js").status_code == 404
    assert shop("/static/../settings.py").status_code == 404
    assert shop("/static/%2e%2e/settings.js").status_code == 404
