"""What the page on a trial's evidence says, in words and numbers."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from support.cells import condition, revision, ruling, stop

from trialog.evidence import limit_of
from trialog.records.queries import shifts_of
from trialog.records.words import Condition, Stage
from trialog.reliability import failure_rate_bounds
from trialog.reports.evidence_report import build_evidence_report, evidence_report_as_dict
from trialog.reports.reconciliation import worst_of_shift
from trialog.reports.revisions import histories_of, revision_history
from trialog.reports.shift_report import build_shift_report

# Words and rounding; what is counted is held on both databases in tests/evidence.
pytestmark = pytest.mark.database("sqlite")


@pytest.fixture
def report(shop, zone):
    """Return a maker of the report of a trial, of the jet unless told."""

    def build(trial=None, **options):
        trial = trial or shop.trial(shop.cell.jet, **options)
        return build_evidence_report(shop.session, trial, now=shop.now, zone=zone)

    return build


def change(shop, what, *, days, device=None, **fields):
    """Record a revision of the jet, so many days ago."""
    at = shop.now - timedelta(days=days)
    shop.write(revision(device or shop.cell.jet, what, occurred_at=at, **fields))


# Revisions.


def test_an_improvement_is_told_with_its_counts_and_how_sure_it_is(shop, report):
    """The example of the help: 2 x 0.00067 by Boschloo's test, so 99.8 % when rounded down."""
    shop.shift("A", days=9, good=1886, failed=[shop.cell.chips] * 14)
    change(shop, "New wash nozzle.", days=5)
    shop.shift("B", days=1, good=2098, failed=[shop.cell.chips] * 2)
    (found,) = report().revisions.comparisons
    assert found.words == (
        "New wash nozzle: 14 of 1,900 before, 2 of 2,100 after; the improvement is real at "
        "99.8 % confidence. The failure rate before is 1.7 to 71 times the one after "
        "(95 % interval)."
    )
    assert found.real is True
    assert found.p_value == pytest.approx(0.00135, abs=1e-5)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ((30, 2), (30, 1), "the improvement could be chance. The failure rate before is"),
        ((30, 0), (20, 12), "the worsening is real at 99.9 % confidence. The failure "
                            "rate before is at most 0.3"),
        ((30, 0), (30, 3), "the worsening could be chance."),
        ((30, 0), (40, 0), "0 of 30 before, 0 of 40 after; no difference shows."),
        ((20, 12), (30, 0), "The failure rate before is at least 2."),
    ],
)  # fmt: skip
def test_a_difference_is_called_real_from_95_percent_on(shop, report, before, after, words):
    shop.shift("A", days=9, good=before[0], failed=[shop.cell.chips] * before[1])
    change(shop, "wider nozzle", days=5)
    shop.shift("B", days=1, good=after[0], failed=[shop.cell.chips] * after[1])
    (found,) = report().revisions.comparisons
    assert words in found.words


def test_too_many_failures_are_not_compared(shop, report, monkeypatch):
    monkeypatch.setattr("trialog.evidence.periods.MOST_FAILURES", 1)
    shop.shift("A", days=9, good=9, failed=[shop.cell.chips])
    change(shop, "wider nozzle", days=5)
    shop.shift("B", days=1, good=9, failed=[shop.cell.chips])
    (found,) = report().revisions.comparisons
    assert found.words.endswith("; too many failures to compare exactly.")
    assert (found.p_value, found.ratio, found.ratio_upper, found.real) == (None,) * 3 + (False,)


def test_a_period_names_who_recorded_it_and_what_shows_it(shop, report):
    change(shop, "wider nozzle", days=5, resets=False, photo="0" * 64)
    shop.shift("B", days=1, good=10, failed=[shop.cell.chips])
    first, second = report().revisions.periods
    assert (first.at, first.what, first.person, first.file) == (None, "as first set up", None, None)
    assert (second.device, second.person) == ("jet", "Emil Engineer")
    assert (second.file, second.filename) == ("0" * 64, None)
    assert second.reason == "does not touch the chore"
    assert second.upper == failure_rate_bounds(1, 11, confidence=0.9).upper


def test_a_history_says_first_what_it_comes_to(shop, report):
    assert report().revisions.words == ("No change was recorded: everything ran as first set up.")
    change(shop, "wider nozzle", days=20)
    trial = shop.trial(name="second")
    assert report(trial).revisions.words == (
        "1 change recorded. No two of the states have cycles, so nothing can be compared."
    )
    shop.shift("A", days=25, good=100)
    shop.shift("B", days=15, good=100)
    assert "No difference before and after is more than chance" in report(trial).revisions.words
    change(shop, "no nozzle", days=10)
    shop.shift("C", days=5, good=1, failed=[shop.cell.chips] * 20)
    assert report(trial).revisions.words == (
        "2 changes recorded. 1 difference that chance would seldom make."
    )


def test_a_cells_histories_leave_out_what_was_never_changed_or_never_ran(shop):
    change(shop, "wider nozzle", days=20)
    change(shop, "softer jaws", days=20, device=shop.cell.arm)
    shop.shift("A", days=15, good=10)
    found = histories_of(shop.session, shop.cell.cell, confidence=0.95)
    assert [(one.subject, one.stage) for one in found] == [("arm", "by hand"), ("jet", "by hand")]
    none = revision_history(
        shop.session, shop.cell.cell, shop.cell.jet, Stage.UNATTENDED, confidence=0.95
    )
    assert [period.cycles for period in none.periods] == [0, 0]


def charts(report):
    return {chart.name: chart for chart in report.charts}


def test_the_rates_are_drawn_up_to_their_bounds_beside_the_limit(shop, report):
    shop.shift("A", days=9, good=99, failed=[shop.cell.chips])
    change(shop, "<b>wider</b> nozzle, aimed lower", days=5)
    change(shop, "<b>no nozzle</b> & none of the rest", days=4)
    trial = shop.trial(shop.cell.jet)
    assert "rates-by-revision" not in charts(report(trial))
    shop.shift("B", days=1, good=200)
    chart = charts(report(trial))["rates-by-revision"]
    figure = chart.figure
    dots = figure.data[0]
    assert dots["y"] == [1.0, 0.0]
    tops = [rate + bar for rate, bar in zip(dots["y"], dots["error_y"]["array"], strict=True)]
    bounds = [failure_rate_bounds(k, n, confidence=0.9).upper for k, n in ((1, 100), (0, 200))]
    assert tops == pytest.approx([100 * bound for bound in bounds])
    assert figure.layout["shapes"][0]["y0"] == pytest.approx(100 * limit_of(trial))
    assert figure.layout["xaxis"]["ticktext"] == [
        "as first set up", "&lt;b&gt;no nozzle&lt;/b&gt; &amp; none…",
    ]  # fmt: skip
    assert "Since the last revision with cycles: 0 of 200, at most 1.2 %" in chart.summary
    assert chart.tables[0].in_words()[0] == ("as first set up", "100", "1", "1.0 %", "3.9 %")


# The machine counter.


def test_the_worst_case_counts_each_unlogged_cycle_as_a_failure(shop, report):
    shop.shift("A", days=2, good=900, counters=(0, 900))
    shop.shift("B", days=1, good=1800, counters=(900, 2703))
    counter = report().counter
    assert (counter.logged, counter.counted, counter.unlogged) == (2700, 2703, 3)
    worst = counter.worst_case
    assert (worst.cycles, worst.failures, worst.estimate) == (2703, 3, 3 / 2703)
    assert (worst.plan_says, worst.verdict, counter.verdict) == ("NO-GO", "NO-GO", "KEEP RUNNING")
    assert counter.words.startswith(
        "3 cycles that the machine counted nobody logged. Were each a failure: 3 of 2,703, at most"
    )
    assert counter.words.endswith("the verdict would be NO-GO instead of KEEP RUNNING.")
    assert [(row.shift, row.unlogged, row.worst.failures, row.worst.cycles)
            for row in counter.shifts] == [("A", 0, 0, 900), ("B", 3, 3, 1803)]  # fmt: skip
    assert counter.shifts[1].worst.upper == failure_rate_bounds(3, 1803, confidence=0.9).upper


def test_where_every_cycle_was_logged_the_worst_case_is_what_was_logged(shop, report):
    shop.shift("A", days=2, good=90, failed=[shop.cell.slow], counters=(0, 91))
    counter = report().counter
    assert counter.words == "Every cycle that the machine counted in these shifts was logged."
    assert (counter.worst_case.failures, counter.worst_case.verdict) == (0, counter.verdict)
    assert counter.shifts[0].worst.words == (
        "Every cycle was logged, so the worst case is what was logged."
    )


def test_a_worst_case_that_changes_nothing_says_so(shop, report):
    shop.shift("A", days=2, good=9, failed=[shop.cell.chips], counters=(0, 12))
    assert report().counter.words.endswith("and the verdict stays NO-GO.")


def test_a_counter_that_cannot_tell_leaves_the_worst_case_open(shop, report):
    shop.shift("A", days=2, good=90, counters=(0, 90))
    shop.shift("B", days=1, good=90)
    counter = report().counter
    assert (counter.counted, counter.unlogged, counter.worst_case) == (None, None, None)
    assert counter.words == "How many cycles nobody logged cannot be told for B."
    assert (counter.shifts[1].worst.cycles, counter.shifts[1].worst.upper) == (None, None)


def test_a_verdict_of_go_stays_one_in_the_worst_case_only_with_all_other_lines(shop, report):
    shop.shift("A", days=2, good=2700, counters=(0, 2700))
    counter = report().counter
    assert (counter.worst_case.plan_says, counter.worst_case.verdict) == ("GO", "KEEP RUNNING")


def test_a_shifts_report_has_its_worst_case(shop, zone):
    shop.shift("A", days=2, good=97, failed=[shop.cell.slow], counters=(0, 100))
    (shift,) = shifts_of(shop.session, shop.cell.cell)
    made = build_shift_report(shop.session, shift, now=shop.now, zone=zone)
    assert made.counter.worst == worst_of_shift(made.counter.compared, made.bounds)
    assert (made.counter.worst.failures, made.counter.worst.cycles) == (3, 100)
    assert made.counter.worst.words.startswith(
        "Were each of the 2 unlogged cycles a failure: 3 relevant failures in 100 cycles"
    )


# Conditions.


def conditions(shop, label, *marks):
    """Mark conditions in a shift that stays open."""
    shop.shift(label, good=5, closed=False)
    shop.write(*(condition(label, which, text=text) for which, text in marks))


def test_the_matrix_has_each_shift_with_what_it_met(shop, report):
    trial = shop.trial(shop.cell.jet)
    shop.shift("A", days=1, good=10)
    conditions(shop, "B", (Condition.COLD_START, ""), (Condition.MATERIAL_LOT, "lot 7"),
               (Condition.MATERIAL_LOT, ""), (Condition.OTHER_OPERATOR, ""))  # fmt: skip
    first, second = report(trial).conditions.shifts
    assert (first.shift, first.cold_starts, first.material_lots) == ("A", 0, ())
    assert [(one.name, one.logged) for one in first.operators] == [("Olga Operator", 10)]
    assert (second.cold_starts, second.material_lots, second.other_operators) == (
        1, ("lot 7", ""), 1,
    )  # fmt: skip


def test_what_is_missing_is_named_and_laid_over_the_shifts_to_come(shop, report):
    trial = shop.trial(
        shop.cell.jet, min_cold_starts=2, min_material_lots=1, min_operators=2, min_tool_changes=1
    )
    shop.shift("A", days=1, good=1000)
    found = report(trial).conditions
    assert found.words == (
        "1 more operator, 2 more cold starts, 1 more material lot and 1 more tool change are "
        "missing. The plan needs about 1,630 more clean cycles, which are 2 shifts."
    )
    assert [step.words for step in found.plan] == [
        "The next shift: let somebody log who has not yet (so far Olga Operator), start with the "
        "machine cold, begin a new material lot and change a tool.",
        "Then the next shift: start with the machine cold.",
    ]
    assert [(row.condition, row.met, row.asked, row.missing) for row in found.totals] == [
        ("shifts", 1, 0, 0), ("operators", 1, 2, 1), ("cold starts", 0, 2, 2),
        ("material lots", 0, 1, 1), ("tool changes", 0, 1, 1),
    ]  # fmt: skip


def test_many_shifts_alike_are_planned_in_one_line(shop, report):
    found = report(min_cold_starts=4, min_shifts=6).conditions
    assert [step.words for step in found.plan] == [
        "The next 4 shifts: in each, start with the machine cold.",
        "Then the next 2 shifts: nothing but cycles.",
    ]
    assert found.words.startswith("6 more shifts and 4 more cold starts are missing.")


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({}, "The requirement asks for no conditions. The plan needs"),
        ({"min_shifts": 1}, "Every condition that the requirement asks for is covered."),
        ({"min_shifts": 2}, "1 more shift is missing. The plan needs"),
        ({"min_operators": 3}, "2 more operators are missing."),
    ],
)
def test_what_is_missing_is_said_first(shop, report, asked, words):
    trial = shop.trial(shop.cell.jet, **asked)
    shop.shift("A", days=1, good=10)
    assert report(trial).conditions.words.startswith(words)


def test_once_the_cycles_are_run_none_are_asked_for(shop, report):
    shop.shift("A", days=2, good=2700)
    found = report().conditions
    assert (found.words, found.plan) == ("The requirement asks for no conditions.", ())


def test_nothing_is_planned_for_a_trial_that_is_no_go(shop, report):
    trial = shop.trial(shop.cell.jet, min_cold_starts=2)
    shop.shift("A", days=1, good=10, failed=[shop.cell.chips])
    found = report(trial).conditions
    assert (found.plan, found.shifts_to_go) == ((), None)
    assert found.words.endswith("The trial is NO-GO, so no shift is planned for it.")


def test_before_anybody_logged_an_operator_is_asked_for_without_names(report):
    found = report(min_operators=1).conditions
    assert found.plan[0].needs == ("let somebody log who has not yet",)


# Stops.


def stops(shop, *seconds, cycles=100):
    shop.shift("S", good=cycles, closed=False)
    shop.write(*(stop("S", one) for one in seconds))


def test_stops_are_told_in_three_sentences(shop, report):
    trial = shop.trial(shop.cell.jet)
    stops(shop, 40, 60, 80, None, cycles=400)
    found = report(trial).interruptions
    assert found.clear_words == (
        "4 stops, 1 without a clear time. Clearing takes 1 min on average (25 s to 4 min 51 s); "
        "9 of 10 are cleared within 1 min 20 s (too few were timed for an upper bound)."
    )
    assert found.availability_words.startswith(
        "At the planned cycle time the cell runs 98.7 % of the time ("
    )
    assert found.between_words.startswith(
        "Assists (stops of the cell that somebody cleared): one in 100 cycles on average (39 to 368"
    )
    assert "Relevant failures of jet: none, so one in at least" in found.between_words
    assert (found.cycles_per_stop, found.cycles_per_failure) == (100, None)
    assert found.cycles_per_failure_upper is None


def test_with_enough_stops_the_percentile_has_both_bounds(shop, report):
    trial = shop.trial(shop.cell.jet)
    stops(shop, *range(10, 50))
    found = report(trial).interruptions
    assert "9 of 10 are cleared within 45 s (41 s to 49 s)." in found.clear_words
    assert (found.percentile_lower, found.percentile_upper) == (41, 49)


def test_failures_are_told_beside_stops(shop, report):
    trial = shop.trial()
    shop.shift("A", days=1, good=199, failed=[shop.cell.slow])
    found = report(trial).interruptions
    assert "Relevant failures of whole cell: one in 200 cycles on average (36 to" in (
        found.between_words
    )
    assert found.cycles_per_failure == 200


@pytest.mark.parametrize(
    ("seconds", "clear", "runs"),
    [
        ((), "No stop was logged.", "runs 100 % of the time (0 % to 100 % at 95 % confidence)"),
        ((None,), "1 stop, none with a clear time.", "Without a clear time nothing is known"),
    ],
)
def test_what_is_not_known_of_stops_is_said(shop, report, seconds, clear, runs):
    trial = shop.trial(shop.cell.jet)
    stops(shop, *seconds)
    found = report(trial).interruptions
    assert found.clear_words == clear
    assert runs in found.availability_words


def test_a_shift_without_cycles_says_that_nothing_is_known(shop, zone):
    shop.shift("A", days=1, closed=False)
    (shift,) = shifts_of(shop.session, shop.cell.cell)
    found = build_shift_report(shop.session, shift, now=shop.now, zone=zone).interruptions
    assert "nothing is known of the availability" in found.availability_words
    assert "nothing is known of the cycles between" in found.between_words
    assert found.cycles_per_stop_lower is None


# The whole.


def test_the_data_are_plain_json_without_infinities(shop, report):
    trial = shop.trial(shop.cell.jet)
    shop.shift("A", days=9, good=30)
    change(shop, "wider nozzle", days=5)
    shop.shift("B", days=1, good=10, failed=[shop.cell.chips])
    made = report(trial)
    data = json.loads(json.dumps(evidence_report_as_dict(made), allow_nan=False))
    assert (
        data["sentence"]
        == made.sentence
        == ("The evidence is 11 counted cycles with 1 relevant failure in 1 shift.")
    )
    assert data["since_what"] == "wider nozzle"


def test_a_ruling_changes_what_is_told(shop, report):
    trial = shop.trial(shop.cell.jet)
    entries = shop.shift("A", days=1, good=10, failed=[shop.cell.chips])
    shop.write(ruling(entries[1].client_id, False))
    (period,) = report(trial).revisions.periods
    assert (period.cycles, period.failures, period.no_tests) == (10, 0, 1)
