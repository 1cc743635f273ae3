"""What the report of a shift says, against the records and the engine."""

from datetime import timedelta

import pytest
from support.cells import undo

from trialog.evidence import explained, judge, verdict_as_dict
from trialog.records.words import PlanKind, Stage
from trialog.reliability import failure_rate_bounds
from trialog.reports.failures import Ruling
from trialog.reports.shift_report import build_shift_report, shift_report_as_dict


@pytest.fixture
def report(shop, zone):
    """The report of a shift with everything in it, of a cell with two trials."""
    shop.trial(name="whole")
    shop.trial(shop.cell.arm, name="arm", kind=PlanKind.FIXED_SIZE)
    shop.shift("Before", days=1, good=300, counters=(690, 990))
    shop.rich_shift()
    return build(shop, zone, "Early")


def build(shop, zone, label):
    return build_shift_report(shop.session, shop.shifts()[label], now=shop.now, zone=zone)


def test_it_says_what_ran(report):
    assert (report.shift, report.stage, report.cell.name) == ("Early", "by hand", "Lathe 4")
    assert report.duration_seconds == 13 * 600
    assert [(one.name, one.logged, one.failed) for one in report.operators] == [
        ("Olga Operator", 400, 2)
    ]
    assert [(one.what, one.text) for one in report.conditions] == [
        ("cold start", ""), ("new material lot", "lot 7"),
    ]  # fmt: skip


def test_good_failed_and_no_test_cycles_add_up_to_the_logged_ones(report):
    assert (report.logged, report.good, report.failed, report.no_tests) == (400, 397, 2, 1)
    assert report.good + report.failed + report.no_tests == report.logged


def test_each_failure_mode_seen_is_a_line_with_its_ruling(report):
    assert [(line.cycle, line.mode, line.device, line.ruling) for line in report.failures] == [
        (121, "dropped part", "arm", Ruling.UNRULED),
        (322, "slow return", "arm", Ruling.UNRULED),
        (322, "chips left", "jet", Ruling.UNRULED),
        (400, "ejection miss", "tray", Ruling.NON_RELEVANT),
    ]
    assert report.failures[-1].reason == "pallet was misloaded"
    assert report.failures[0].note == "</script><b>bold</b> & 'quoted'"


def test_rates_carry_the_engines_bounds_at_the_trials_confidence(report):
    rows = {row.name: row for row in report.rates}
    assert list(rows) == [
        "whole cell", "arm", "dropped part", "slow return", "jet", "chips left", "tray",
        "ejection miss",
    ]  # fmt: skip
    expected = failure_rate_bounds(2, 399, confidence=0.9)
    assert (rows["whole cell"].upper, rows["whole cell"].estimate) == (
        expected.upper, expected.estimate,
    )  # fmt: skip
    both = failure_rate_bounds(2, 400, confidence=0.95, sides="both")
    assert (rows["arm"].interval_lower, rows["arm"].interval_upper) == (both.lower, both.upper)
    assert (rows["tray"].failures, rows["tray"].cycles, rows["tray"].no_tests) == (0, 399, 1)


def test_the_counter_is_compared_with_the_log_and_with_the_shift_before(report):
    assert report.counter.words == (
        "The machine counted 405 cycles (from 1,000 to 1,405), and 400 cycles were logged: "
        "5 cycles nobody logged."
    )
    assert report.counter.gap_cycles == 10
    assert report.counter.gap_words.startswith("The machine counted 10 cycles between")


def test_stops_are_added_up_and_a_missing_clear_time_is_said(report):
    stops = report.stops
    assert (stops.count, stops.without_clear_time) == (3, 1)
    assert (stops.total_seconds, stops.mean_seconds, stops.longest_seconds) == (120, 60, 95)


def test_each_trial_of_the_stage_stands_with_its_verdict_and_what_the_shift_did_for_it(
    report, shop
):
    whole, arm = report.trials
    assert whole.verdict.verdict == "NO-GO"
    assert whole.counts_here
    assert whole.proven_before_seconds == 12 * 45
    assert whole.proven_with_seconds == 8 * 45
    assert arm.proven_before_seconds == 4 * 45
    assert "whole: the proven stretch goes from 9 min to 6 min." in report.sentence
    assert [row.level for row in arm.rates] == ["device", "failure mode", "failure mode"]


def test_a_trial_of_another_stage_is_not_on_it(shop, zone):
    shop.trial(name="robot", stage=Stage.ROBOT_ATTENDED)
    shop.shift("A", good=10)
    assert build(shop, zone, "A").trials == ()


def test_a_shift_before_the_evidence_began_says_that_it_does_not_count(shop, zone):
    shop.shift("A", days=3, good=10)
    shop.trial(name="late", days=1)
    shop.shift("B", good=10)
    (late,) = build(shop, zone, "A").trials
    assert not late.counts_here
    assert late.proven_before_seconds is None
    assert build(shop, zone, "B").trials[0].counts_here


def test_an_open_shift_without_a_cycle_has_a_report_too(shop, zone):
    shop.shift("A", closed=False)
    report = build(shop, zone, "A")
    assert report.closed_at is None
    assert report.duration_seconds == 1
    assert report.bounds.confidence == 0.95
    assert report.sentence == "No cycle counted, so nothing is known of the failure rate."
    assert report.stops.total_seconds is None
    assert report.counter.gap_cycles is None


def test_what_was_undone_is_not_on_it(shop, zone):
    lines = shop.shift("A", good=5, failed=[shop.cell.dropped, shop.cell.missed], closed=False)
    shop.write(undo(lines[1].client_id))
    report = build(shop, zone, "A")
    assert [line.mode for line in report.failures] == ["ejection miss"]
    assert report.logged == 6


def test_the_json_holds_the_same_numbers_and_the_verdict_as_the_engine_gives_it(report, shop):
    data = shift_report_as_dict(report)
    assert (data["logged"], data["bounds"]["upper"]) == (400, report.bounds.upper)
    trial = report.trials[0].verdict.evidence.trial
    verdict = explained(judge(shop.session, trial))
    assert data["trials"][0]["verdict"] == verdict_as_dict(verdict)
    assert data["opened_at"] == (shop.now - timedelta(hours=8)).isoformat().replace(
        "06:00:00+00:00", "07:00:00+01:00"
    )
    assert data["failures"][3]["ruling"] == "non-relevant"
    assert not {"shift_id", "clock"} & set(data)
