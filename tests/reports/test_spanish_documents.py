"""Documents of the demo in Spanish: nothing in them is English but what people wrote."""

import re
from functools import cache

import pytest
from support.said import said_in, without, written_by_people
from support.texts import read_catalogue, texts

from trialog.reports.kinds import KINDS

# What a document says does not hang on the database: the demo is on SQLite.
pytestmark = [pytest.mark.database("sqlite"), pytest.mark.parametrize("name", list(KINDS))]

ENGLISH = {
    "about", "after", "all", "and", "any", "are", "as", "at", "before", "by", "cycle", "cycles",
    "each", "every", "failed", "failure", "failures", "for", "from", "has", "have", "in", "is",
    "least", "limit", "many", "more", "most", "none", "not", "nothing", "now", "of", "on", "only",
    "over", "rate", "required", "shift", "shifts", "since", "so", "stage", "than", "that", "the",
    "them", "these", "this", "those", "to", "was", "were", "what", "where", "which", "who", "with",
    "yet",
}  # fmt: skip
"""Words that no Spanish text holds."""

SOURCES = re.compile(r"\([^()]*(?:19|20)\d\d[^()]*\)|\(NIST[^()]*\)|Robbins [^;]*;|Howard[^)]*\)")
"""Titles of papers and handbooks, which are quoted in their own language."""


@pytest.fixture
def spanish(demo_reports, name):
    """Return the document of a kind in Spanish."""
    return demo_reports(name, "es")[1]


def english_in(text):
    return ENGLISH & set(re.findall(r"[^\W\d_]+", SOURCES.sub(" ", text).lower()))


def test_no_word_of_a_document_is_english_but_what_people_wrote(spanish, demo_session):
    doubtful = [said for said in set(said_in(spanish)) if english_in(said)]
    people = written_by_people(demo_session)
    assert [said for said in doubtful if english_in(without(people, said))] == []


def test_no_text_of_the_catalogue_is_left_in_english(spanish):
    whole = "\n".join(said_in(spanish))
    assert [text for text, parts in _sentences() if _stands_in(whole, parts)] == []


@cache
def _sentences():
    """Return the English texts of three words or more, each with the parts around its places."""
    catalogue = read_catalogue("es")
    return tuple(
        (english, parts)
        for text in texts()
        for english in ((text,) if isinstance(text, str) else text)
        for parts in [re.split(r"\{\w+\}", english)]
        if len(re.findall(r"[^\W\d_]+", " ".join(parts))) >= 3
        and catalogue.get(text if isinstance(text, str) else text[0])
    )


def _stands_in(whole, parts):
    """Say whether a text stands in another, whatever is in its places."""
    if not all(part in whole for part in parts):
        return False
    return re.search(".{0,200}?".join(re.escape(part) for part in parts), whole) is not None


def test_a_document_names_its_language_and_says_that_it_is_understood(spanish):
    assert spanish.language == "es"
    assert '<html lang="es">' in spanish.html
    assert '<div class="rp" lang="es">' in spanish.html
    assert "La estadística no hace segura una célula." in spanish.html


def test_numbers_are_written_as_in_spanish(spanish, demo_session):
    said = set(said_in(spanish))
    assert any(re.search(r"\d,\d+ %", one) for one in said)
    english = re.compile(r"\d\.\d+ %|\d,\d{3} ciclos")
    doubtful = [one for one in said if english.search(one)]
    people = written_by_people(demo_session)
    assert [one for one in doubtful if english.search(without(people, one))] == []


def test_the_numbers_behind_a_document_are_the_same_in_every_language(demo_reports, name, spanish):
    english = demo_reports(name)[1]
    assert _numbers(english.data) == _numbers(spanish.data)
    assert [_numbers(table.rows) for table in english.tables] == [
        _numbers(table.rows) for table in spanish.tables
    ]


def _numbers(data):
    """Return data with every text made empty; keys and numbers stay."""
    if isinstance(data, dict):
        return {key: _numbers(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_numbers(value) for value in data]
    return "" if isinstance(data, str) else data
