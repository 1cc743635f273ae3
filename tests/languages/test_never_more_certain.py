"""No number that is said claims more than the exact one behind it, in any language."""

import re
from decimal import Decimal
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialog.languages import LANGUAGES, speaking
from trialog.reliability import failure_rate_bounds
from trialog.reports import sentences, words

languages = pytest.mark.parametrize("language", LANGUAGES)
rates = st.floats(1e-9, 1, exclude_min=True)
SIGNS = {"en": (",", "."), "es": (".", ",")}
UNITS = {"s": 1, "min": 60, "h": 3600, "days": 86_400, "días": 86_400}


def value(text, language):
    """Read a number as whoever speaks the language reads it."""
    group, point = SIGNS[language]
    return Decimal(text.replace(group, "").replace(point, "."))


def percents(text, language):
    return [value(found, language) / 100 for found in re.findall(r"(\d[\d.,]*) %", text)]


def one_in(text, language):
    """Return the rate that "1 in 740 cycles" says, or "every cycle"."""
    found = re.search(r"1 (?:in|de cada) (\d[\d.,]*) ", text)
    return 1 / value(found[1].rstrip(",."), language) if found else Decimal(1)


def seconds(text, language):
    found = re.findall(r"(\d[\d.,]*) (s|min|h|days|días)\b", text)
    return sum(value(number, language) * UNITS[unit] for number, unit in found)


@languages
@given(rate=rates)
def test_an_upper_bound_is_never_said_lower_nor_a_lower_one_higher(language, rate):
    with speaking(language):
        [up], [down] = (
            percents(said, language) for said in (words.rate_up(rate), words.rate_down(rate))
        )
        said_as_one_in = one_in(words.one_in(rate), language)
    exact = Decimal(repr(rate))
    assert down <= exact <= up
    # Two significant digits are no further from it than a tenth of what is said.
    assert up <= exact * Decimal("1.1")
    assert down >= exact * Decimal("0.9")
    # Twelve digits of 1 / rate are looked at.
    assert said_as_one_in >= exact * (1 - Decimal("1e-11"))


@languages
@given(rate=rates, limit=rates)
def test_a_bound_above_its_limit_never_looks_below_it(language, rate, limit):
    with speaking(language):
        shown = words.bound_and_limit(rate, limit)
    upper, lowest = (percents(said, language)[0] for said in shown)
    if rate > limit:
        assert upper > lowest


@languages
@given(stretch=st.floats(0, 1e9))
def test_a_proven_stretch_is_never_said_longer(language, stretch):
    with speaking(language):
        said = words.stretch(stretch)
    if not said[0].isdigit():
        assert stretch < 60
        return
    assert seconds(said, language) <= stretch
    assert seconds(said, language) > stretch - (3600 if stretch >= 2 * 86_400 else 60)


@languages
@given(cycles=st.integers(0, 10**9))
def test_cycles_still_needed_are_never_said_fewer(language, cycles):
    with speaking(language):
        said = words.about_up(cycles)
    [found] = re.findall(r"\d[\d.,]*", said)
    assert cycles <= value(found, language) <= cycles * Decimal("1.01")
    assert ("about " in said or "unos " in said) == (value(found, language) != cycles)


@languages
@given(chance=st.floats(0, 1))
def test_what_is_not_certain_is_never_said_to_be(language, chance):
    with speaking(language):
        [said] = percents(words.in_hundred(chance), language)
    assert (said == 1) == (chance == 1)
    assert (said == 0) == (chance == 0)
    assert abs(said - Decimal(repr(chance))) <= Decimal("0.001")


@languages
@given(
    counts=st.integers(0, 10**6).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    confidence=st.sampled_from([0.8, 0.9, 0.95, 0.99]),
)
def test_the_sentence_on_counts_holds_their_numbers_and_no_better_bound(
    language, counts, confidence
):
    failures, cycles = counts
    bounds = failure_rate_bounds(failures, cycles, confidence=confidence)
    with speaking(language):
        said = sentences.bounded(bounds)
        counted = [words.counted(cycles, "cycle")]
        if failures:
            counted.append(words.counted(failures, "relevant failure"))
    if failures == cycles:
        assert "%" not in said
        return
    assert all(one in said for one in counted)
    asked, upper = percents(said, language)
    assert asked == Decimal(repr(confidence))
    assert upper >= Decimal(repr(bounds.upper))
    assert one_in(said, language) >= Decimal(repr(bounds.upper)) * (1 - Decimal("1e-11"))


def verdict(proven, to_go, *, failures=0, cycles=1_000):
    """Return as much of a verdict as its sentence rests on."""
    return SimpleNamespace(
        verdict="KEEP RUNNING", chance=0.9, share=1.0, proven_stretch_seconds=proven,
        required_stretch_seconds=14_400, clean_cycles_to_go=to_go, shifts_to_go=3, unmet=(),
        evidence=SimpleNamespace(cycles=cycles, failures=failures, damage_failures=0, unruled=0),
    )  # fmt: skip


@languages
@given(proven=st.floats(60, 1e8), to_go=st.integers(1, 10**8))
def test_the_first_sentence_claims_no_longer_stretch_and_no_fewer_cycles(language, proven, to_go):
    with speaking(language):
        said = sentences.proven(verdict(proven, to_go))
    lead, required, missing = re.split(r"(?<=\.) (?=[A-ZU\d])", said)
    stretch, chance = re.split(r" (?:alone|sin nadie) ", lead)
    assert seconds(stretch, language) <= proven
    assert percents(chance, language) == [Decimal("0.9")]
    assert seconds(required, language) == 14_400
    assert value(re.search(r"\d[\d.,]*", missing)[0].rstrip(",."), language) >= to_go
