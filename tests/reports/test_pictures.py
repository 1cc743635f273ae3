"""Each picture of the reports with nothing, one and 100,000 of what it shows."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import plotly.graph_objects as go
import pytest

from trialog.evidence.course import CountedShift, Proven, RankedMode
from trialog.evidence.interruptions import Interruptions
from trialog.languages import speaking
from trialog.records.words import Effect
from trialog.reliability import (
    availability_bounds,
    control_chart,
    cycles_between_failures,
    failure_rate_bounds,
    mean_time_bounds,
    percentile_bounds,
    stop_free_chance,
    stop_rate_bounds,
    values_within,
)
from trialog.reports import words
from trialog.reports.conditions import (
    Asked,
    ConditionsOfShift,
    ConditionsReport,
    OperatorOfShift,
)
from trialog.reports.figures import (
    Alone,
    Rate,
    Said,
    Step,
    between_failures,
    clear_times,
    conditions_matrix,
    decisions_over_cycles,
    failure_modes,
    failures_by_shift,
    proven_over_time,
    rates_by_revision,
    stop_free_stretches,
)

MANY = 100_000
HOSTILE = "<b>bold</b> & more"
START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
LARGEST = 150_000
"""Bytes of a picture's data: with more of them a page would load slowly."""


def proven(number, *, shift="shift", hours=1.0):
    return tuple(
        Proven(
            shift=f"{shift} {place}",
            opened_at=START + timedelta(hours=8 * place),
            closed_at=START + timedelta(hours=8 * place + 8),
            cycles=960 * (place + 1),
            failures=place // 4,
            upper=0.001,
            seconds=3600.0 * hours * (place + 1) / number,
        )
        for place in range(number)
    )


def shifts(number, *, failures=lambda place: place % 2, cycles=500, name="shift"):
    return tuple(
        CountedShift(place, f"{name} {place}", cycles, failures(place)) for place in range(number)
    )


def modes(*counts, effect=Effect.STOPS, name="mode"):
    ranked, so_far = [], 0
    for place, number in enumerate(counts):
        so_far += number
        ranked.append(RankedMode(f"{name} {place}", "arm", effect, number, so_far))
    return tuple(ranked)


def steps(*places, exact=True):
    return tuple(Step(at, number, exact) for number, at in enumerate(places, start=1))


def stops(times, untimed=0, logged=1000):
    count, total = len(times), sum(times)
    return Interruptions(
        clear_seconds=tuple(times),
        rate=stop_rate_bounds(count + untimed, logged),
        mean=mean_time_bounds(total, count),
        percentile=percentile_bounds(times, 0.9),
        availability=availability_bounds(
            count + untimed, logged, 30.0, clear_seconds=total, timed=count
        ),
        failures=failure_rate_bounds(0, logged, sides="both"),
    )


def alone(failures=1, cycles=2000, *, target=0.9, proven_seconds=600.0, upper=0.0025):
    return Alone(
        subject="arm",
        rate=failure_rate_bounds(failures, cycles, sides="both"),
        upper=upper,
        confidence=0.9,
        target=target,
        cycle_seconds=30.0,
        required_seconds=3600.0,
        proven_seconds=proven_seconds,
    )


def conditions(number, *, name="shift", lot="lot 7", asked=2):
    return ConditionsReport(
        shifts=tuple(
            ConditionsOfShift(
                shift=f"{name} {place}",
                opened_at=START + timedelta(hours=8 * place),
                cycles=960,
                cold_starts=place % 2,
                material_lots=(lot, "") if place % 3 == 0 else (),
                tool_changes=1,
                other_operators=0,
                operators=(OperatorOfShift(HOSTILE, 960, 0),),
                shift_id=place,
            )
            for place in range(number)
        ),
        totals=(
            Asked("shifts", number, asked, max(asked - number, 0)),
            Asked("cold starts", number // 2, asked, max(asked - number // 2, 0)),
        ),
        shifts_to_go=0,
        plan=(),
        words="",
    )


def over_time(course):
    return proven_over_time(course, 4 * 3600, clock=UTC, now=START)


def by_shift(found):
    return failures_by_shift(found, subject="arm", confidence=0.95)


def by_mode(found):
    return failure_modes(found, subject="arm")


def between(found, cycles):
    return between_failures(found, cycles, subject="arm")


def revisions(number):
    return rates_by_revision([Rate(HOSTILE, 100, 1, 0.05)] * number, 0.01, 0.95)


def decisions(number):
    said = [Said("Mon", ("GO", "NO-GO")[place % 2], place, 0) for place in range(number)]
    return decisions_over_cycles(said)


CHARTS = {
    "proven, none": lambda: over_time(()),
    "proven, one": lambda: over_time(proven(1)),
    "proven, many": lambda: over_time(proven(120)),
    "by shift, none": lambda: by_shift(()),
    "by shift, one": lambda: by_shift(shifts(1)),
    "by shift, many": lambda: by_shift(shifts(MANY)),
    "modes, none": lambda: by_mode(()),
    "modes, one": lambda: by_mode(modes(7)),
    "modes, many": lambda: by_mode(modes(*range(300, 0, -1))),
    "between, none": lambda: between((), 5000),
    "between, one": lambda: between(steps(7), 5000),
    "between, many": lambda: between(steps(*range(2, 2 * MANY + 1, 2)), 2 * MANY),
    "conditions, none": lambda: conditions_matrix(conditions(0)),
    "conditions, one": lambda: conditions_matrix(conditions(1)),
    "conditions, many": lambda: conditions_matrix(conditions(3000)),
    "clear times, none": lambda: clear_times(stops(())),
    "clear times, one": lambda: clear_times(stops((41,))),
    "clear times, many": lambda: clear_times(stops(range(1, MANY + 1), logged=10**6)),
    "stop-free, none": lambda: stop_free_stretches(alone(0, 0, upper=1.0, proven_seconds=0.0)),
    "stop-free, one": lambda: stop_free_stretches(alone(0, 1, upper=0.95, proven_seconds=0.0)),
    "stop-free, many": lambda: stop_free_stretches(alone(MANY, 10**7, upper=0.0101)),
    "revisions, one": lambda: revisions(1),
    "revisions, many": lambda: revisions(300),
    "decisions, one": lambda: decisions(1),
    "decisions, many": lambda: decisions(1000),
}


@pytest.fixture(scope="module")
def charts():
    """Return every picture in every amount, made once."""
    return {name: make() for name, make in CHARTS.items()}


def trace(chart, name):
    return next(each for each in chart.figure.data if each.get("name") == name)


@pytest.mark.parametrize("name", CHARTS)
def test_the_chart_library_knows_all_that_is_handed_to_it(charts, name):
    figure = go.Figure(json.loads(charts[name].json))
    assert len(figure.data) == len(charts[name].figure.data)


@pytest.mark.parametrize("name", CHARTS)
def test_a_pictures_data_stay_small_and_its_words_say_something(charts, name):
    chart = charts[name]
    assert len(chart.json) < LARGEST
    assert sum(len(table.rows) for table in chart.tables) <= 1000
    assert chart.title[:1].isupper() or chart.title[:1].isdigit()
    assert chart.summary.endswith(".")
    assert "nan" not in f"{chart.title}{chart.summary}".lower().split()


@pytest.mark.parametrize("name", [name for name in CHARTS if not name.endswith(", none")])
def test_every_axis_says_what_it_counts(charts, name):
    layout = charts[name].figure.layout
    for axis in ("xaxis", "yaxis"):
        assert (
            layout[axis]["title"]["text"]
            or layout[axis].get("ticktext")
            or not layout[axis].get("showticklabels", True)
        )


def test_only_pictures_of_nothing_are_empty(charts):
    empty = {name for name, chart in charts.items() if chart.is_empty}
    assert empty == {name for name in CHARTS if name.endswith(", none")}


@pytest.mark.parametrize("name", CHARTS)
def test_what_people_typed_is_no_markup_in_a_picture(charts, name):
    texts = [part for part in strings(charts[name].figure.as_dict()) if "bold" in part]
    assert all("<b>bold" not in part for part in texts)
    if name in ("revisions, many", "conditions, many"):
        assert any("&lt;b&gt;bold" in part for part in texts)


def strings(value):
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [text for item in value for text in strings(item)]
    return [value] if isinstance(value, str) else []


@pytest.mark.parametrize("name", [name for name in CHARTS if not name.endswith(", none")])
def test_lines_that_lie_over_each_other_differ_in_more_than_their_colour(charts, name):
    lines = [
        (each["line"].get("dash", "solid"), each["line"].get("width"))
        for each in charts[name].figure.data
        if each.get("mode") == "lines" and each["line"].get("width")
    ]
    pairs = {"by shift": 1, "between": 1}.get(name.partition(",")[0], 0)  # both limits look alike
    assert len(lines) - len(set(lines)) == pairs


# What each says.


def test_the_proven_stretch_says_how_much_of_the_required_there_is():
    chart = over_time(proven(3, hours=3))
    assert chart.title == "3 h proven of the 4 h required"
    assert "After shift shift 0: 1 h." in chart.summary
    assert "3 h, from 0 relevant failures in 2,880 counted cycles" in chart.summary
    assert trace(chart, "proven")["y"] == [1.0, 2.0, 3.0]
    assert chart.tables[0].rows[0][4:] == (0.001, 3600.0)


def test_the_proven_stretch_says_since_when_it_has_been_enough():
    chart = over_time((*proven(2, hours=5), *proven(1, hours=4)))
    assert chart.title == "The proven stretch has reached the 4 h required since shift shift 1"
    assert trace(chart, "proven")["marker"]["symbol"] == ["square-open", "circle", "circle"]


def test_an_open_shift_stands_at_the_present_moment():
    (one,) = proven(1)
    chart = proven_over_time(
        (replace(one, closed_at=None),), 4 * 3600, clock=UTC, now=START + timedelta(hours=3)
    )
    assert trace(chart, "proven")["x"] == ["2026-03-02T09:00"]


def test_shifts_beyond_the_limits_are_named_and_marked():
    chart = by_shift(shifts(9, failures=lambda place: 12 * (place == 4)))
    assert chart.title == "Failed more often than a steady rate allows: shift 4"
    marker = trace(chart, "shift")["marker"]
    assert [place for place, sign in enumerate(marker["symbol"]) if sign == "diamond"] == [4]
    assert chart.tables[0].rows[4][-1] == "more"
    limits = control_chart([12 * (place == 4) for place in range(9)], [500] * 9).limits
    assert f"a steady rate allows 0 to {limits.upper[-1]}" in chart.summary


def test_a_shift_that_failed_too_seldom_is_named_as_well():
    chart = by_shift((*shifts(40, failures=lambda _: 9), CountedShift(9, "long", 9000, 100)))
    assert chart.title == "Failed less often than a steady rate allows: long"
    assert chart.tables[0].rows[-1][-1] == "fewer"


def test_shifts_that_do_not_differ_are_said_not_to():
    assert by_shift(shifts(4)).title == (
        "No shift stands out: 2 relevant failures in 2,000 counted cycles over 4 shifts"
    )
    assert by_shift(shifts(1)).title == (
        "0 relevant failures in 500 counted cycles in one shift: nothing to compare it with yet"
    )
    assert by_shift(shifts(2, cycles=0, failures=lambda _: 0)).title == (
        "No shift with a counted cycle yet"
    )


def test_of_many_shifts_the_newest_are_shown_and_many_names_are_cut_short(charts):
    chart = charts["by shift, many"]
    assert "Shown: the newest 60 of 100,000 shifts." in chart.summary
    assert chart.tables[0].rows[-1][0] == f"shift {MANY - 1}"
    wild = by_shift(shifts(60, failures=lambda place: 40 * (place % 8 == 0)))
    assert wild.title.endswith(": shift 40, shift 48, shift 56 and 5 more")


def test_the_interval_of_a_shift_is_exact():
    row = by_shift(shifts(3)).tables[0].rows[1]
    bounds = failure_rate_bounds(1, 500, sides="both")
    assert row[3:6] == (0.002, bounds.lower, bounds.upper)


def test_the_most_frequent_mode_is_named_and_damage_is_never_left_out():
    assert by_mode(modes(5, 2)).title == "Most frequent: mode 0, 5 of 7"
    assert by_mode(modes(5, 5, 1)).title == (
        "Most frequent, as often as each other: mode 0 and mode 1"
    )
    damage = by_mode((*modes(5), RankedMode("crash", "jet", Effect.DAMAGE, 1, 6)))
    assert damage.title == "Most frequent: mode 0, 5 of 6; 1 that can damage"
    bars = trace(damage, "failure mode")
    assert bars["marker"]["pattern"]["shape"] == ["", "x"]
    assert damage.tables[0].rows[1] == ("crash", "jet", "can damage", 1, 1 / 6, 1.0)


def test_more_modes_than_bars_are_added_up_in_words_and_all_in_the_table(charts):
    chart = charts["modes, many"]
    assert len(trace(chart, "failure mode")["x"]) == 12
    assert "others 41,616" in chart.summary
    assert len(chart.tables[0].rows) == 300


def test_cycles_between_failures_have_the_limits_of_their_own_rate():
    places = [100, 101, 250, 400, 900]
    chart, found = between(steps(*places), 1000), cycles_between_failures(places, 1000)
    assert trace(chart, "failure")["y"] == [good + 1 for good in found.between]
    for name, height in (
        ("lower limit", found.limits.lower), ("upper limit", found.limits.upper),
    ):  # fmt: skip
        assert trace(chart, name)["y"] == [height + 1] * 2
    assert "from 1 to 500 cycles from one to the next, 100 since" in chart.summary
    assert trace(chart, "since the last failure")["y"] == [100]
    assert chart.title == "No failure came sooner or later than a steady rate makes likely"


def test_failures_beyond_the_limits_are_marked_however_many_there_are():
    places = [*range(20_000, 2_000_001, 20_000), 2_000_001, 2_000_002, 3_000_000]
    chart = between(steps(*places), 3_000_000)
    found = cycles_between_failures(places, 3_000_000)
    assert (len(found.short), len(found.long)) == (2, 1)
    assert chart.title == (
        "Sooner than a steady rate makes likely: 2 failures; later than a steady rate makes "
        "likely: 1 failure"
    )
    assert trace(chart, "failure")["marker"]["symbol"].count("diamond") == 3


def test_a_failure_of_unknown_place_is_hollow_and_said_to_be():
    chart = between(steps(100, 200, exact=False), 300)
    assert trace(chart, "failure")["marker"]["symbol"] == ["circle-open"] * 2
    assert "Hollow: 2 failures whose place in the shift is not known." in chart.summary


def test_a_single_failure_has_nothing_before_it():
    chart = between(steps(100), 300)
    assert chart.title == "One relevant failure in 300 counted cycles: nothing between failures yet"
    assert "at cycle 100; 200 since" in chart.summary
    assert between((), 0).title == "No cycle counted yet"


def test_a_condition_met_has_a_sign_and_a_word():
    chart = conditions_matrix(conditions(2))
    boxes = chart.figure.data[0]
    assert boxes["text"] == [
        ["–", "✓ 2", "✓", "✓ &lt;b&gt;bold&lt;/b&gt;…"],
        ["✓", "–", "✓", "✓ &lt;b&gt;bold&lt;/b&gt;…"],
    ]
    assert boxes["z"] == [[0, 1, 1, 1], [1, 0, 1, 1]]
    assert chart.title == "Still missing: cold starts 1 / 2"
    assert "Shifts: 2, 2 required; cold starts: 1, 2 required." in chart.summary
    assert chart.tables[0].rows[0][4] == "lot 7, without a name"


def test_conditions_that_are_covered_or_not_asked_for_are_said_to_be():
    assert conditions_matrix(conditions(4)).title == "Every condition that is required is covered"
    assert conditions_matrix(conditions(4, asked=0)).title == (
        "No condition is required; 2 were met"
    )


def test_of_many_shifts_the_newest_conditions_are_drawn(charts):
    chart = charts["conditions, many"]
    assert len(chart.figure.data[0]["text"]) == 24
    assert "Shown: the newest 24 of 3,000 shifts." in chart.summary


def test_clear_times_are_the_shares_that_were_cleared_within_them():
    times = (20, 40, 40, 90)
    chart, within = clear_times(stops(times, untimed=1)), values_within(times)
    assert chart.tables[0].rows == tuple(
        zip(within.values.tolist(), within.counts.tolist(), within.shares.tolist(), strict=True)
    )
    assert chart.title == "9 of 10 stops were cleared within 1 min 30 s"
    assert "4 of 5 stops timed, from 20 s to 1 min 30 s." in chart.summary
    assert "too few were timed for an upper bound" in chart.summary


def test_clear_times_of_few_or_no_stops_claim_nothing():
    assert clear_times(stops((41,))).title == "One stop was timed: cleared in 41 s"
    assert clear_times(stops((), untimed=2)).title == "2 stops, none with a clear time"
    assert clear_times(stops(())).title == "No stop was logged"


def test_the_chance_of_a_stop_free_stretch_is_that_of_the_bound_that_decides():
    chart = stop_free_stretches(alone())
    shown = stop_free_chance(0.0025, 120)
    assert chart.title == (
        f"1 h without a stop: a chance of {words.rate_down(shown)} is shown, 90 % is required"
    )
    row = next(row for row in chart.tables[0].rows if row[0] == 3600.0)
    assert row[1:3] == (120, shown)
    interval = failure_rate_bounds(1, 2000, sides="both")
    assert row[4:] == tuple(
        stop_free_chance(rate, 120) for rate in (interval.upper, interval.lower)
    )


@pytest.mark.parametrize(
    ("upper", "proven_seconds", "title"),
    [
        (0.0008776, 3600.0, "a chance of 90.0 % is shown, 90 % is required"),
        (0.00088, 3570.0, "a chance of 89.9 % is shown, 90 % is required"),
        (0.05, 60.0, "a chance of 0.21 % is shown, 90 % is required"),
        (0.5, 0.0, "a chance of under 0.1 % is shown, 90 % is required"),
    ],
)
def test_no_chance_is_said_to_be_larger_than_it_is(upper, proven_seconds, title):
    chart = stop_free_stretches(alone(upper=upper, proven_seconds=proven_seconds))
    assert chart.title == f"1 h without a stop: {title}"


def test_a_share_of_a_chance_is_said_with_digits_enough_to_tell_it_from_what_is_shown():
    target = 0.9**0.3
    chart = stop_free_stretches(alone(target=target, upper=0.00026345, proven_seconds=3590.0))
    shown, asked = (part for part in chart.title.split() if part[0] == "9")
    assert float(shown) < float(asked) <= 100 * target


def test_a_bound_that_proves_it_all_is_never_said_to_fall_short():
    target = 0.9**0.3
    chart = stop_free_stretches(alone(target=target, upper=0.000265, proven_seconds=3600.0))
    shown, asked = (part for part in chart.title.split() if part[0] == "9")
    assert shown == asked


def test_revisions_and_verdicts_have_titles_that_say_what_was_found():
    rates = [Rate("first", 1000, 5, 0.01), Rate("second", 2000, 1, 0.003)]
    assert rates_by_revision(rates, 0.01, 0.95).title == (
        "1 of 2,000 failed since the last change, 5 of 1,000 before it"
    )
    assert rates_by_revision(rates[:1], 0.01, 0.95).title == "5 of 1,000 failed, under one revision"
    said = [Said("Mon", "KEEP RUNNING", 100, 0), Said("now", "GO", 1_000, 0)]
    assert decisions_over_cycles(said).title == "GO after 1,000 cycles; before that KEEP RUNNING"
    assert (
        decisions_over_cycles(said[:1] * 2).title == "KEEP RUNNING after 100 cycles, as ever before"
    )
    assert decisions_over_cycles(said[1:]).title == "GO after 1,000 cycles"


@pytest.mark.parametrize("name", [name for name in CHARTS if name.endswith(", one")])
def test_every_picture_speaks_spanish_and_writes_numbers_so(charts, name):
    with speaking("es"):
        chart = CHARTS[name]()
    assert chart.figure.layout["separators"] == ",."
    assert charts[name].figure.layout["separators"] == ".,"
    assert chart.title != charts[name].title
