"""The help pages: readable by everybody, the same on disk and in the app."""

from __future__ import annotations

import re

import pytest

from trialog.web.help.pages import FOLDER, anchor, help_page

NAMES = sorted(path.stem for path in FOLDER.glob("*.md"))
LINK = re.compile(r"\]\(([^)\s]+)\)")


def test_help_needs_no_sign_in(stranger):
    page = stranger.get("/help")
    assert page.status_code == 200
    assert 'href="/help/setting-up"' in page.text


@pytest.mark.parametrize("name", NAMES)
def test_every_page_is_served_with_its_title(stranger, name):
    page = stranger.get(f"/help/{name}")
    assert page.status_code == 200
    assert f"<title>{help_page(name).title} · trialog</title>" in page.text


@pytest.mark.parametrize("name", NAMES)
def test_every_link_between_pages_leads_somewhere_on_disk_and_in_the_app(stranger, name):
    for target in LINK.findall((FOLDER / f"{name}.md").read_text(encoding="utf-8")):
        if target.startswith("images/"):
            assert (FOLDER / target).is_file(), target
            assert f'src="/help/{target}"' in help_page(name).body
            with stranger.get(f"/help/{target}") as picture:
                assert picture.mimetype == "image/svg+xml"
        elif target.startswith("/"):  # a page that this server makes
            assert stranger.get(target).status_code == 200, target
        elif "://" not in target:
            path, _, place = target.partition("#")
            page = help_page(path.removesuffix(".md") if path else name)
            assert page is not None, target
            assert not place or f'id="{place}"' in page.body, target


def test_every_page_can_be_reached_from_the_first():
    seen, open_pages = set(), ["index"]
    while open_pages:
        name = open_pages.pop()
        if name not in seen:
            seen.add(name)
            text = (FOLDER / f"{name}.md").read_text(encoding="utf-8")
            open_pages += re.findall(r"\]\(([a-z0-9-]+)\.md", text)
    assert sorted(seen) == NAMES


@pytest.mark.parametrize(
    "path",
    ["/help/nothing", "/help/..%2f..%2fpyproject", "/help/../errors", "/help/words.md",
     "/help/%2e%2e", "/help/Words", "/help/%00", "/help/images/nothing.svg",
     "/help/images/..%2fwords.svg", "/help/images/home.png"],
)  # fmt: skip
def test_nothing_but_a_page_of_help_is_served(stranger, path):
    assert stranger.get(path).status_code == 404


def test_no_heading_loses_its_place():
    assert anchor("3. The requirement: what “ready” means") == "3-the-requirement-what-ready-means"


def test_html_in_a_page_stays_text(monkeypatch, tmp_path):
    (tmp_path / "odd.md").write_text("# Odd\n\n<script>alert(1)</script>\n")
    monkeypatch.setattr("trialog.web.help.pages.FOLDER", tmp_path)
    assert "<script>" not in help_page.__wrapped__("odd").body
