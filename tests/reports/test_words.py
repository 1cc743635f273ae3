"""Numbers in words: rounded so that nothing sounds more certain than it is."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialog.reports import words


@pytest.mark.parametrize(
    ("value", "nearest", "up", "down"),
    [
        (0.00156, "0.16 %", "0.16 %", "0.15 %"),
        (0.0000109744, "0.0011 %", "0.0011 %", "0.0010 %"),
        (0.123, "12 %", "13 %", "12 %"),
        (0.5, "50 %", "50 %", "50 %"),
        (0.0999, "10 %", "10 %", "9.9 %"),
        (0.999, "100 %", "100 %", "99 %"),
        (1.0, "100 %", "100 %", "100 %"),
        (0.0, "0 %", "0 %", "0 %"),
    ],
)
def test_a_rate_has_two_digits_a_bound_is_rounded_up_and_a_limit_down(value, nearest, up, down):
    assert (words.rate(value), words.rate_up(value), words.rate_down(value)) == (nearest, up, down)


def test_an_unknown_rate_is_a_dash():
    assert (words.rate(None), words.one_in(None), words.number(None)) == ("–", "–", "–")


@given(st.floats(min_value=1e-12, max_value=1))
def test_rounding_never_makes_a_bound_smaller_or_a_limit_larger(value):
    def said(text):
        return float(text.removesuffix(" %").replace(",", "")) / 100

    assert said(words.rate_up(value)) >= value * (1 - 1e-12)
    assert said(words.rate_down(value)) <= value * (1 + 1e-12)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (1 / 740, "1 in 740 cycles"),
        (0.00156, "1 in 641 cycles"),
        (0.0001, "1 in 10,000 cycles"),
        (0.0000109744, "1 in 91,100 cycles"),
        (0.123, "1 in 8.1 cycles"),
        (0.95, "nearly every cycle"),
        (1.0, "every cycle"),
        (0.0, "none"),
    ],
)
def test_one_in_so_many_cycles_is_never_a_rarer_event_than_the_rate(value, said):
    assert words.one_in(value) == said


def test_a_bound_above_the_limit_looks_it():
    assert words.bound_and_limit(0.0012, 0.0011) == ("0.12 %", "0.11 %")
    assert words.bound_and_limit(0.00109746, 0.00109744) == ("0.11 %", "0.10 %")


def test_digits_are_added_until_a_bound_below_the_limit_looks_it():
    assert words.bound_and_limit(0.0010951, 0.0010974) == ("0.1096 %", "0.1097 %")


def test_digits_end_somewhere():
    assert words.bound_and_limit(0.123456781, 0.123456789) == ("12.3457 %", "12.3456 %")


@pytest.mark.parametrize(
    ("seconds", "proven", "known"),
    [
        (0, "less than one cycle", "0 s"),
        (30, "under 1 min", "30 s"),
        (60, "1 min", "1 min"),
        (200, "3 min", "3 min 20 s"),
        (3599, "59 min", "59 min 59 s"),
        (3600, "1 h", "1 h"),
        (4359.9, "1 h 12 min", "1 h 13 min"),
        (4 * 3600, "4 h", "4 h"),
        (47 * 3600 + 60, "47 h 1 min", "47 h 1 min"),
        (49 * 3600 + 3540, "2 days 1 h", "2 days 1 h"),
        (48 * 3600, "2 days", "2 days"),
        (3e9, "34,722 days 5 h", "34,722 days 5 h"),
    ],
)
def test_a_proven_stretch_is_rounded_down_and_a_known_length_is_not(seconds, proven, known):
    assert (words.stretch(seconds), words.length(seconds)) == (proven, known)


@pytest.mark.parametrize(
    ("cycles", "said"),
    [
        (0, "0"),
        (999, "999"),
        (1_000, "1,000"),
        (1_001, "about 1,010"),
        (3_100, "3,100"),
        (27_297, "about 27,300"),
        (99_999, "about 100,000"),
        (1_234_567, "about 1,240,000"),
    ],
)
def test_cycles_still_needed_are_rounded_up_to_three_digits(cycles, said):
    assert words.about_up(cycles) == said


def test_a_chance_is_said_as_it_was_asked_for():
    assert [words.chance(value) for value in (0.9, 0.95, 0.995, 0.999)] == [
        "90 %", "95 %", "99.5 %", "99.9 %",
    ]  # fmt: skip


def test_a_device_has_its_share_of_the_chance():
    assert words.chance_word(0.9, 1.0) == "90 % chance"
    assert words.chance_word(0.9, 1 / 3) == "its share of the 90 % chance"


def test_counts_have_thousands_separators_and_the_right_noun():
    assert words.counted(1, "cycle") == "1 cycle"
    assert words.counted(27_297, "cycle") == "27,297 cycles"
    assert words.counted(0, "failure") == "0 failures"


def test_times_are_in_the_shops_zone_also_across_the_change_to_summer_time():
    zone = ZoneInfo("Europe/Berlin")
    before, after = (
        datetime(2026, 3, 29, 0, 59, tzinfo=UTC),
        datetime(2026, 3, 29, 1, 1, tzinfo=UTC),
    )
    assert words.moment(before, zone) == "2026-03-29 01:59"
    assert words.moment(after, zone) == "2026-03-29 03:01"
    assert words.moment(None, zone) == "–"
    assert words.zone_name(zone, before) == "Europe/Berlin"
    assert words.zone_name(UTC, before) == "UTC"


def test_lists_read_like_sentences():
    assert words.listed([]) == ""
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b", "c"]) == "a, b and c"


@pytest.mark.parametrize(
    ("sentence", "kept"),
    [
        ("Proven: 1 h 12 min alone at 90 % chance.", "Proven: 1_h_12_min alone at 90_% chance."),
        ("Required: 2 days 1 h; 3 shifts of 8 h.", "Required: 2_days_1_h; 3 shifts of 8_h."),
        ("Exigido: 2 días 30 min sin nadie", "Exigido: 2_días_30_min sin nadie"),
        ("875 more clean cycles, 12 hours", "875 more clean cycles, 12 hours"),
        ("Lathe 4 stops in 45 s", "Lathe 4 stops in 45_s"),
    ],
)
def test_no_line_ends_between_a_number_and_its_unit(sentence, kept):
    assert words.together(sentence) == kept.replace("_", words.NO_BREAK)
    assert len(words.together(sentence)) == len(sentence)
