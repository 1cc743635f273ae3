"""A line of the server's log is one line, in either form, whatever somebody put into it."""

from __future__ import annotations

import json
import logging

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from sqlalchemy.exc import IntegrityError, OperationalError

from trialog.errors import InvalidValueError
from trialog.web.journal import FORMS, cleaned
from trialog.web.journal.forms import FACTS, LONGEST

ANYTHING = st.text(st.characters())  # with lone halves of pairs, and all that does not print
NASTY = (
    "a\nb", "a\r\nb", "a\x0bb", "a\x85b", "a\u2028b", "a\u2029b", "\x1b[2J", "\x00", "\ud83d",
    '" level=error', "\\n", "{}", "%s%s",
)  # fmt: skip


def record(message, *args, error=None, **facts):
    made = logging.LogRecord(
        "trialog.tests", logging.INFO, "file.py", 1, message, args,
        (type(error), error, error.__traceback__) if error else None,
    )  # fmt: skip
    setattr(made, FACTS, facts)
    return made


def raised(error):
    """Return an error as it is when it was raised in earnest."""
    try:
        raise error
    except type(error) as caught:
        return caught


def with_nasty_examples(test):
    for text in NASTY:
        test = example(text)(test)
    return test


@pytest.mark.parametrize("form", FORMS)
@with_nasty_examples
@given(ANYTHING)
def test_nothing_makes_a_second_line_or_steers_a_terminal(form, text):
    fault = raised(RuntimeError(text))
    line = FORMS[form]().format(record("seen: %s", text, error=fault, fact=text))
    assert line.isprintable()
    assert len(line.splitlines()) == 1
    line.encode()


@with_nasty_examples
@given(ANYTHING)
def test_json_gives_back_what_was_put_in(text):
    said = json.loads(FORMS["json"]().format(record("seen: %s", text, fact=text)))
    assert said["event"] == "seen: " + text
    assert said["fact"] == text


@with_nasty_examples
@given(ANYTHING)
def test_in_plain_text_a_value_cannot_pass_for_another_fact(text):
    line = FORMS["text"]().format(record("event", fact=text, other="mine"))
    head, _, rest = line.partition(" fact=")
    value, _, other = rest.rpartition(" other=")
    assert (head.rpartition(" ")[2], other) == ("event", "mine")
    unquoted = json.loads(value) if value.startswith('"') else value
    assert unquoted == cleaned(text)
    assert value.startswith('"') or not set(value) & set(' "=')


@pytest.mark.parametrize("form", FORMS)
def test_what_is_long_is_cut(form):
    assert len(FORMS[form]().format(record("event", fact="x" * 100_000))) < LONGEST + 200


def test_a_line_says_when_in_utc_how_bad_and_what():
    said = json.loads(FORMS["json"]().format(record("event")))
    assert list(said) == ["time", "level", "logger", "event"]
    assert said["time"].endswith("Z")
    assert (said["level"], said["logger"]) == ("info", "trialog.tests")


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize(
    "error",
    [
        OperationalError("INSERT INTO x", {"pin": "sesame"}, Exception("disk I/O error")),
        IntegrityError("INSERT", ("sesame",), Exception("unique\nDETAIL: Key (name)=(sesame)")),
        InvalidValueError("pin", "be 4 to 8 digits", "sesame"),
        RuntimeError("first line\nsesame"),
    ],
)
def test_an_error_is_told_without_the_values_it_was_about(form, error):
    line = FORMS[form]().format(record("it broke", error=raised(error)))
    assert "sesame" not in line
    assert type(error).__name__ in line
    assert "journal/test_lines.py" in line


def test_an_error_is_told_with_what_it_came_from():
    def fail():
        try:
            raise KeyError("inner")
        except KeyError as inner:
            raise ValueError("outer") from inner

    with pytest.raises(ValueError, match="outer") as caught:
        fail()
    said = json.loads(FORMS["json"]().format(record("it broke", error=caught.value)))
    assert said["error"] == "ValueError: outer | because of KeyError: 'inner'"
    assert said["calls"].split(" < ")[0].endswith("fail")
