"""The catalogues: every word that the tablet page shows, in every language the same set."""

from __future__ import annotations

import json
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest
from playwright.sync_api import expect

import trialog.web
from trialog.web.logging import shell

# The page is the same on both databases.
pytestmark = pytest.mark.database("sqlite")

WEB = Path(trialog.web.__file__).parent
CATALOGUES = sorted(shell.TEXTS.glob("*.json"))
SCRIPTS = sorted((WEB / "static" / "tablet").glob("*.js"))
TEMPLATES = sorted((WEB / "logging" / "templates" / "logging").glob("*.html"))
HOLE = re.compile(r"\{(\w+)\}")
FORMS = {"zero", "one", "two", "few", "many", "other"}
SILENT = {"script", "style", "noscript", "title"}


def texts_of(path):
    return json.loads(path.read_text(encoding="utf-8"))["texts"]


ENGLISH = texts_of(shell.TEXTS / "en.json")


def forms_of(text):
    return list(text.values()) if isinstance(text, dict) else [text]


def holes_of(text):
    return {hole for form in forms_of(text) for hole in HOLE.findall(form)}


def code_of(path):
    """Return a script without its comments."""
    return re.sub(r"/\*.*?\*/", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)


# ── The catalogues among themselves ──────────────────────────────────────────────────────────


def test_english_and_spanish_are_there():
    assert {"en", "es"} <= {path.stem for path in CATALOGUES}


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda path: path.stem)
def test_every_catalogue_names_its_language_and_holds_the_same_keys_in_the_same_order(path):
    language = json.loads(path.read_text(encoding="utf-8"))["language"]
    assert language["tag"] == path.stem
    assert language["name"]
    assert list(texts_of(path)) == list(ENGLISH)


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda path: path.stem)
def test_every_text_has_the_same_places_to_fill_and_none_is_empty(path):
    texts = texts_of(path)
    other = {key: holes_of(texts[key]) ^ holes_of(text) for key, text in ENGLISH.items()}
    assert {key: holes for key, holes in other.items() if holes - {"n"}} == {}
    assert [key for key, text in texts.items() if not all(forms_of(text))] == []


@pytest.mark.parametrize("path", CATALOGUES, ids=lambda path: path.stem)
def test_what_is_counted_is_so_in_every_language_and_has_a_form_for_the_rest(path):
    texts = texts_of(path)
    counted = {key for key, text in texts.items() if isinstance(text, dict)}
    assert counted == {key for key, text in ENGLISH.items() if isinstance(text, dict)}
    assert [key for key in counted if not {"other"} <= set(texts[key]) <= FORMS] == []


def test_spanish_is_not_english_left_standing():
    same = {"words.condition_text", "pin.label"}
    spanish = texts_of(shell.TEXTS / "es.json")
    alike = {key for key, text in ENGLISH.items() if text == spanish[key]}
    assert alike - same == set()


# ── The catalogues and the page ──────────────────────────────────────────────────────────────

QUOTED = re.compile(r"""["']([\w. -]+?)["']""")
PUT_TOGETHER = re.compile(r"`([^`]*)`")
ASKED = re.compile(
    r"""\b(?:t|plural|text|say|back|title)\(\s*"""
    r"""(?:"[\w-]+",\s*)?["'](\w[\w .-]*\.[\w .-]+)["']"""
)


def named():
    """Return every quoted word of the page's files, and what is put together as a pattern."""
    words, patterns = set(), set()
    for path in [*SCRIPTS, *TEMPLATES]:
        words |= set(QUOTED.findall(code_of(path)))
        for literal in PUT_TOGETHER.findall(code_of(path)):
            pattern = re.sub(r"\$\{.*?\}", "\0", literal)
            if re.fullmatch(r"[\w.-]+\.[\w.\0-]+", pattern):
                patterns.add(re.escape(pattern).replace("\0", ".+"))
    # Templates join a prefix and a word of a list: "stage." ~ stage.
    patterns |= {re.escape(word) + ".+" for word in words if word.endswith(".")}
    return words, [re.compile(pattern) for pattern in patterns]


def test_every_text_that_the_page_asks_for_is_in_the_catalogue():
    asked = {
        key for path in [*SCRIPTS, *TEMPLATES] for key in ASKED.findall(code_of(path))
    }  # fmt: skip
    assert len(asked) > 100
    assert {key for key in asked - set(ENGLISH) if not key.endswith(".")} == set()


def test_no_catalogue_keeps_a_text_that_nothing_asks_for():
    words, patterns = named()
    unused = [
        key
        for key in ENGLISH
        if key not in words and not any(pattern.fullmatch(key) for pattern in patterns)
    ]
    assert unused == []


class Words(HTMLParser):
    """Collects what a page shows or says without a key beside it."""

    def __init__(self):
        super().__init__()
        self.stack, self.loose = [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        for name, key in (("aria-label", "data-label"), ("placeholder", "data-hint")):
            if given.get(name) and key not in given:
                self.loose.append(given[name])
        if given.get("title") or given.get("alt"):
            self.loose.append(str(given))
        if tag not in ("meta", "link", "input", "br", "path", "rect", "circle"):
            self.stack.append((tag, given))

    def handle_endtag(self, tag):
        if self.stack and self.stack[-1][0] == tag:
            self.stack.pop()

    def handle_data(self, data):
        tag, given = self.stack[-1] if self.stack else ("", {})
        quiet = any(tag in SILENT for tag, _ in self.stack) or "data-text" in given
        if re.search(r"[^\W\d_]", data) and not quiet:
            self.loose.append(f"{tag}: {data.strip()}")


def test_the_page_shows_no_word_without_a_key(stranger):
    page = Words()
    page.feed(stranger.get("/tablet/").text)
    assert page.loose == []


SENTENCE = re.compile(r"""["'`]\s*[A-Z][a-z]+[ ,][^"'`]*["'`]""")
SHOWN = re.compile(
    r"""(?:textContent\s*=|\.append\(|textContent:|"aria-label",|placeholder\s*=)\s*["'`]([^"'`]*)"""
)


def test_no_script_holds_a_sentence_or_shows_a_word_of_its_own():
    found = []
    for path in SCRIPTS:
        for number, line in enumerate(code_of(path).splitlines(), 1):
            # An error for the browser's console is nothing that somebody at the machine sees.
            if "Error(" in line or "throw " in line:
                continue
            shown = [re.sub(r"\$\{.*?\}", "", text) for text in SHOWN.findall(line)]
            if SENTENCE.search(line) or any(re.search(r"[^\W\d_]", text) for text in shown):
                found.append(f"{path.name}:{number}: {line.strip()}")
    # Bearer … is what a browser says to a server.
    assert [line for line in found if "Bearer" not in line] == []


# ── A third language ─────────────────────────────────────────────────────────────────────────


@pytest.fixture
def third_language(tmp_path, monkeypatch):
    """Add one file, as whoever translates the page would."""
    folder = tmp_path / "texts"
    shutil.copytree(shell.TEXTS, folder)
    third = json.loads((folder / "en.json").read_text(encoding="utf-8"))
    third["language"] = {"name": "Prova lingvo", "tag": "eo"}
    third["texts"] |= {"enrol.title": "Faru ĝin tabulo", "tablet.title": "Ĉi tiu tabulo"}
    (folder / "eo.json").write_text(json.dumps(third), encoding="utf-8")
    monkeypatch.setattr(shell, "TEXTS", folder)


def test_one_more_file_is_one_more_language(third_language, browser, live_server):
    context = browser.new_context(has_touch=True)
    page = context.new_page()
    page.goto(f"{live_server.url}/tablet/")
    expect(page.locator("#screen-enrol")).to_be_visible()
    page.evaluate("window.trialog.openSheet('tablet')")
    names = page.locator("#languages-targets button").all_text_contents()
    assert names == ["English", "Prova lingvo", "Español"]
    page.tap('[data-language="eo"]')
    expect(page.locator("#tablet-title")).to_have_text("Ĉi tiu tabulo")
    assert page.evaluate("document.documentElement.lang") == "eo"
    page.reload()
    expect(page.locator("#enrol-title")).to_have_text("Faru ĝin tabulo")
    context.close()


def test_the_browsers_own_language_is_the_first_choice(browser, live_server):
    context = browser.new_context(locale="es-MX")
    page = context.new_page()
    page.goto(f"{live_server.url}/tablet/")
    expect(page.locator("#enrol-title")).to_have_text(
        texts_of(shell.TEXTS / "es.json")["enrol.title"]
    )
    assert page.evaluate("document.documentElement.lang") == "es"
    context.close()
