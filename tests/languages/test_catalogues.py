"""Whether every text that is said stands in every language's catalogue, and fits there."""

import re

import pytest
from support.texts import OTHERS, UnreadableTextError, in_code, in_template, read_catalogue, texts

languages = pytest.mark.parametrize("language", OTHERS)


@pytest.fixture(scope="module")
def said():
    """Return all texts that are said, by what the catalogues know them as."""
    return {text if isinstance(text, str) else text[0]: text for text in texts()}


def names(text):
    return set(re.findall(r"\{(\w*)\}", text))


@languages
def test_every_text_is_translated_and_none_is_left_over(language, said):
    catalogue = read_catalogue(language)
    known = {
        (message.id if isinstance(message.id, str) else message.id[0]): message
        for message in catalogue
        if message.id
    }
    untold = [
        text
        for text in said
        if text not in known
        or known[text].fuzzy
        or not all([known[text].string, *_forms(known[text].string)])
    ]
    assert sorted(untold) == [], "run .ci/texts and translate what is empty"
    assert sorted(set(known) - set(said)) == [], "said no more: run .ci/texts"


def _forms(string):
    return string if isinstance(string, tuple | list) else ()


@languages
def test_every_translation_has_the_forms_and_the_names_of_its_text(language, said):
    catalogue = read_catalogue(language)
    for key, text in said.items():
        string = catalogue.get(key).string
        if isinstance(text, str):
            assert isinstance(string, str), text
            assert names(string) == names(text), text
        else:
            assert len(string) == catalogue.num_plurals, text
            # A form for one may leave the number out, and one may say "the next shift".
            assert names("".join(string)) == names("".join(text)), text
            for form in string:
                assert names(form) <= names("".join(text)), text


@languages
def test_no_translation_begins_or_ends_otherwise_than_its_text(language, said):
    """Sentences are joined with what stands around them, so full stops and spaces must agree."""
    catalogue = read_catalogue(language)
    for key, text in said.items():
        string = catalogue.get(key).string
        pairs = [(text, string)] if isinstance(text, str) else zip(text, string, strict=True)
        for english, other in pairs:
            assert (english.endswith("."), english.strip() == english) == (
                other.endswith("."), other.strip() == other
            ), english  # fmt: skip


def test_texts_are_found_in_code_and_templates_in_every_way_that_they_are_said():
    code = 't("a" "b", n=1); mark("c"); words.counted(2, "dog"); tn("one", "many", n); t(name)'
    assert set(in_code(code, "x")) == {
        "ab", "c", ("{number} dog", "{number} dogs"), ("one", "many"),
    }  # fmt: skip
    template = "{{ t('a', b=t('c')) }}{% if w.counted(1, 'cat') %}{{ t(name) }}{% endif %}"
    assert set(in_template(template, "x")) == {"a", "c", ("{number} cat", "{number} cats")}


@pytest.mark.parametrize("code", ['t(f"{n} cycles")', 'mark(f"{n} cycles")'])
def test_a_text_that_is_put_together_where_it_is_said_is_refused(code):
    with pytest.raises(UnreadableTextError, match="x:1"):
        list(in_code(code, "x"))


def test_a_text_that_a_template_puts_together_is_refused():
    with pytest.raises(UnreadableTextError, match="x:1"):
        list(in_template("{{ t('a' ~ name) }}", "x"))
