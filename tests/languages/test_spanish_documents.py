"""Documents of the demo in Spanish: nothing in them is English but what people wrote."""

import re

import pytest
from sqlalchemy.orm import Session
from support.demo import DEMO_NOW, DEMO_ZONE
from support.said import said_in, without, written_by_people
from support.texts import read_catalogue, texts

from trialog.reports.kinds import KINDS, make

# What a document says does not hang on the database: the demo is on SQLite.
pytestmark = pytest.mark.database("sqlite")

SUBJECTS = {"shift": 2, "trial": 4, "evidence": 2, "cell": 1, "fleet": None}
"""One of each kind, those with the most to say."""

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


@pytest.fixture(scope="module")
def documents(demo_engine):
    with Session(demo_engine) as session:
        made = {}
        for name, number in SUBJECTS.items():
            model = KINDS[name].model
            subject = None if model is None else session.get_one(model, number)
            made[name] = make(session, name, subject, now=DEMO_NOW, zone=DEMO_ZONE, language="es")
        yield made, written_by_people(session)


@pytest.mark.parametrize("name", list(SUBJECTS))
def test_no_word_of_a_document_is_english_but_what_people_wrote(documents, name):
    made, people = documents
    for said in said_in(made[name]):
        left = SOURCES.sub(" ", without(people, said))
        english = ENGLISH & set(re.findall(r"[^\W\d_]+", left.lower()))
        assert not english, said


@pytest.mark.parametrize("name", list(SUBJECTS))
def test_no_text_of_the_catalogue_is_left_in_english(documents, name):
    made, _people = documents
    whole = "\n".join(said_in(made[name]))
    for pattern in _sentences():
        assert not pattern.search(whole), pattern.pattern


def _sentences():
    """Return what finds each text of three words or more, whatever stands in its places."""
    catalogue = read_catalogue("es")
    for text in texts():
        for english in (text,) if isinstance(text, str) else text:
            parts = re.split(r"\{\w+\}", english)
            words = [word for part in parts for word in re.findall(r"[^\W\d_]+", part)]
            if len(words) >= 3 and catalogue.get(english):
                yield re.compile(".{0,200}?".join(re.escape(part) for part in parts))


@pytest.mark.parametrize("name", list(SUBJECTS))
def test_a_document_names_its_language(documents, name):
    made, _people = documents
    assert '<html lang="es">' in made[name].html
    assert made[name].language == "es"


def test_numbers_of_a_document_are_written_as_in_spanish(documents):
    made, _people = documents
    whole = "\n".join(said_in(made["trial"]))
    assert "9.271" in whole
    assert "9,271" not in whole
    assert re.search(r"\d,\d+ %", whole)
    assert not re.search(r"\d\.\d+ %", whole)


def test_the_numbers_behind_a_document_are_the_same_in_every_language(documents, demo_session):
    made, _people = documents
    for name, number in SUBJECTS.items():
        model = KINDS[name].model
        subject = None if model is None else demo_session.get_one(model, number)
        english = make(demo_session, name, subject, now=DEMO_NOW, zone=DEMO_ZONE)
        assert _numbers(english.data) == _numbers(made[name].data)
        assert [_numbers(table.rows) for table in english.tables] == [
            _numbers(table.rows) for table in made[name].tables
        ]


def _numbers(data):
    """Return data with every text made empty; keys and numbers stay."""
    if isinstance(data, dict):
        return {key: _numbers(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_numbers(value) for value in data]
    return "" if isinstance(data, str) else data
