"""How texts are found in a language, and how numbers and lists are written in it."""

from decimal import Decimal

import pytest
from markupsafe import Markup

from trialog.errors import InvalidValueError
from trialog.languages import (
    counted,
    current,
    in_markup,
    listed,
    localised,
    mark,
    numeral,
    speaking,
    t,
    tn,
)


def test_english_is_spoken_until_somebody_asks_for_another_language():
    assert current() == "en"
    with speaking("es"):
        assert current() == "es"
        with speaking("en"):
            assert t("limit") == "limit"
        assert t("limit") == "límite"
    assert current() == "en"


def test_the_language_of_before_is_spoken_again_after_an_error():
    with pytest.raises(ZeroDivisionError), speaking("es"):
        1 / 0  # noqa: B018 - the error is the point
    assert current() == "en"


def test_a_language_without_a_catalogue_is_refused_by_name():
    with (
        pytest.raises(InvalidValueError, match="language must be one of en, es, got 'xx'"),
        speaking("xx"),
    ):
        pass


def test_a_function_may_speak_one_language_whatever_is_spoken_around_it():
    @speaking("en")
    def kept():
        return t("limit")

    with speaking("es"):
        assert [kept(), kept(), t("limit")] == ["limit", "limit", "límite"]


def test_a_text_that_the_catalogue_lacks_stays_english():
    with speaking("es"):
        assert t("{n} of something unheard of", n=3) == "3 of something unheard of"


def test_whole_numbers_are_grouped_and_everything_else_stays_as_it_is():
    assert t("{a} {b} {c} {d}", a=27_297, b="27297", c=True, d=Decimal("1.5")) == (
        "27,297 27297 True 1.5"
    )
    with speaking("es"):
        assert t("{a} {b}", a=27_297, b="27,297") == "27.297 27,297"


@pytest.mark.parametrize(
    ("number", "english", "spanish"),
    [
        (0, "0 cycles", "0 ciclos"),
        (1, "1 cycle", "1 ciclo"),
        (2, "2 cycles", "2 ciclos"),
        (27_297, "27,297 cycles", "27.297 ciclos"),
    ],
)
def test_things_are_counted_in_the_form_that_the_language_has(number, english, spanish):
    assert counted(number, "cycle") == english
    with speaking("es"):
        assert counted(number, "cycle") == spanish


def test_forms_other_than_an_s_have_their_own_text():
    one, many = "{conditions} is missing.", "{conditions} are missing."
    assert tn(one, many, 1, conditions="a lot") == "a lot is missing."
    assert tn(one, many, 2, conditions="two lots") == "two lots are missing."
    with speaking("es"):
        assert tn(one, many, 2, conditions="dos lotes") == "Faltan dos lotes."


@pytest.mark.parametrize(
    ("parts", "last", "english", "spanish"),
    [
        ([], "and", "", ""),
        (["a"], "and", "a", "a"),
        (["a", "b"], "and", "a and b", "a y b"),
        (["a", "b", "c"], "or", "a, b or c", "a, b o c"),
        (["a", "Inés"], "and", "a and Inés", "a e Inés"),
        (["a", "hierro"], "and", "a and hierro", "a y hierro"),
        (["a", "hilo"], "and", "a and hilo", "a e hilo"),
        (["a", "hora"], "or", "a or hora", "a u hora"),
        (["x o y", "otro"], "or", "x o y or otro", "x o y u otro"),
    ],
)
def test_lists_end_as_the_language_has_it(parts, last, english, spanish):
    assert listed(parts, last) == english
    with speaking("es"):
        assert listed(parts, last) == spanish


@pytest.mark.parametrize(
    ("value", "english", "spanish"),
    [
        (0, "0", "0"),
        (1_234, "1,234", "1.234"),
        (-1_234_567, "-1,234,567", "-1.234.567"),
        (Decimal("0.00156"), "0.00156", "0,00156"),
        (Decimal("12345.6"), "12,345.6", "12.345,6"),
    ],
)
def test_numbers_keep_every_digit_in_the_signs_of_the_language(value, english, spanish):
    assert numeral(value) == english
    assert localised(english) == english
    with speaking("es"):
        assert numeral(value) == localised(english) == spanish


def test_in_a_template_values_are_escaped_and_markup_is_kept():
    said = in_markup("{a} and {b} < {n}", a="<i>", b=Markup("<b>x</b>"), n=1_234)
    assert said == "&lt;i&gt; and <b>x</b> &lt; 1,234"
    assert in_markup("it's") == Markup("it&#39;s")


def test_a_marked_text_is_the_text_itself():
    assert mark("limit") == "limit"
