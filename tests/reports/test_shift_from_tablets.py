"""What a shift's report says of its tablets: photos, spot checks, clocks, lines not taken."""

from __future__ import annotations

import base64
import re
from datetime import timedelta

import pytest
from sqlalchemy import delete
from support.cells import undo

from trialog.records.models import Photo
from trialog.records.parking import leave_out
from trialog.records.tablets import note_clock
from trialog.records.words import EntryKind, PlanKind, Stage
from trialog.reliability import inflated_upper_bound, observer_miss_rate
from trialog.reports import words
from trialog.reports.kinds import html_of
from trialog.reports.shift_report import build_shift_report, shift_report_as_dict
from trialog.reports.spot_checks import Found
from trialog.reports.trial_report import build_trial_report


@pytest.fixture
def build(shop, zone):
    def report(label="T", **options):
        return build_shift_report(
            shop.session, shop.shifts()[label], now=shop.now, zone=zone, **options
        )

    return report


@pytest.fixture
def report(shop, build):
    shop.tablet_shift()
    return build()


# ── Counting ─────────────────────────────────────────────────────────────────────────────────


def test_cycles_by_the_counter_are_good_ones_and_checks_are_none(report):
    assert (report.logged, report.good, report.failed) == (40, 39, 1)
    assert report.counter.words.endswith("they agree.")


def test_a_stop_that_the_tablet_timed_stands_once_with_its_clear_time(shop, build):
    blue, _green = shop.tablet_shift()
    late = blue(EntryKind.STOP, 45, clear_seconds=19, late=True)
    shop.write(late)
    shop.write(undo(shop.write(blue(EntryKind.STOP, 46, clear_seconds=600, late=True)).added[0],
                    late=True))  # fmt: skip
    stops = build().stops
    assert [stop.clear_seconds for stop in stops.each] == [41, 19]
    assert (stops.count, stops.total_seconds, stops.longest_seconds) == (2, 60, 41)


# ── Photos ───────────────────────────────────────────────────────────────────────────────────


def test_a_photo_comes_with_its_cycle_mode_who_and_when(report):
    (photo,) = report.photos
    assert (photo.cycle, photo.modes, photo.person, photo.stored) == (
        17, ("chips left",), "Olga Operator", True,
    )  # fmt: skip
    assert photo.words == (
        "Photo of failed cycle 17, chips left, taken by Olga Operator at 2026-03-02 11:21"
    )
    assert photo.caption == "cycle 17, chips left\n2026-03-02 11:21, Olga Operator"


def test_a_document_holds_the_photo_itself_with_words_for_who_cannot_see_it(report):
    html = html_of(report)
    encoded = base64.b64encode(b"\xff\xd8\xffchips on the chuck").decode()
    assert f'<img src="data:image/jpeg;base64,{encoded}" alt="{report.photos[0].words}">' in html


def test_data_and_pages_do_not_carry_the_bytes(shop, build):
    shop.tablet_shift()
    report = build(embed_photos=False)
    assert report.photos[0].content is None
    assert "content" not in shift_report_as_dict(report)["photos"][0]


def test_a_photo_that_is_not_in_the_records_is_said_to_be_missing(shop, build):
    shop.tablet_shift()
    shop.session.execute(delete(Photo))
    shop.session.commit()
    report = build()
    assert not report.photos[0].stored
    html = html_of(report)
    assert "photo not in these records" in html
    assert "<img" not in html


def test_a_photo_of_an_undone_cycle_or_undone_itself_is_not_shown(shop, build):
    blue, _green = shop.tablet_shift()
    failed = next(line.entry for line in build().photos)
    shop.write(undo(failed, tablet_id=blue.tablet.id, tablet_number=99, late=True))
    assert build().photos == ()


def test_a_photo_without_a_person_or_a_cycle_number_is_told_as_far_as_it_is_known(shop, build):
    blue = shop.tapper()
    failed = blue(
        EntryKind.FAILED, cycles=1, order_known=False, mode_ids=(shop.cell.chips.id,),
        person_id=None,
    )  # fmt: skip
    shop.write(
        blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND), failed,
        blue(EntryKind.PHOTO, target=failed.client_id, photo="ab" * 32, person_id=None),
    )  # fmt: skip
    (photo,) = build().photos
    assert photo.words == "Photo of failed cycle, chips left, taken at 2026-03-02 11:00"
    assert photo.caption == "failed cycle, chips left\n2026-03-02 11:00"


def test_a_document_shows_so_many_photos_and_counts_the_rest(shop, build):
    blue = shop.tapper()
    lines = [blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND)]
    for number in range(26):
        failed = blue(EntryKind.FAILED, number, cycles=1, mode_ids=(shop.cell.chips.id,))
        sha256 = shop.photo(str(number).encode(), blue.tablet)
        lines += [failed, blue(EntryKind.PHOTO, number, target=failed.client_id, photo=sha256)]
    shop.write(*lines)
    report = build()
    assert len(report.photos) == 26
    assert sum(photo.content is not None for photo in report.photos) == 24
    html = html_of(report)
    assert html.count("<img") == 24
    assert "2 more photos on the shift&#39;s page" in html.replace("'", "&#39;")


# ── Spot checks ──────────────────────────────────────────────────────────────────────────────


def test_spot_checks_say_what_was_watched_seen_and_missed(report):
    checks = report.spot_checks
    assert (checks.watched, checks.seen, checks.missed, checks.set_aside) == (17, 2, 1, 4)
    assert [line.found for line in checks.each] == [
        Found.GOOD, Found.LOGGED, Found.MISSED, Found.UNUSED,
    ]  # fmt: skip
    expected = observer_miss_rate(1, 2, confidence=0.95)
    assert (checks.missed_share, checks.missed_upper) == (0.5, expected.upper)
    assert checks.upper_with_misses is None
    assert checks.words == (
        "A second person watched 17 cycles and saw 2 failures; the log lacks 1. "
        f"So at most {words.rate_up(expected.upper)} of failures go unlogged, at 95 % confidence. "
        "Not used: 4 cycles checked by whoever logged the cycles, or by nobody known."
    )


def test_without_a_check_nothing_is_known(shop, build):
    shop.shift("A", good=10)
    report = build("A")
    assert report.spot_checks.words == (
        "No spot check, so nothing is known of how often a failure goes unlogged."
    )
    assert "cycles watched" not in html_of(report)


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        (0, "watched 5 cycles and saw no failure, so it is not known how often one goes unlogged."),
        (1, "watched 6 cycles and saw 1 failure; it is in the log. So at most 96 % of"),
        (2, "watched 7 cycles and saw 2 failures; all of them are in the log. So at most 78 % of"),
    ],
)
def test_what_was_seen_and_is_in_the_log_is_said_so(shop, build, seen, said):
    blue, green = shop.tapper(), shop.tapper("green", person=shop.people.engineer)
    chips = {"cycles": 1, "mode_ids": (shop.cell.chips.id,)}
    shop.write(
        blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND),
        *(blue(EntryKind.FAILED, **chips) for _ in range(2)),
        green(EntryKind.CHECK, cycles=5),
        *(green(EntryKind.CHECK, **chips) for _ in range(seen)),
    )
    assert said in build().spot_checks.words


def test_where_all_that_was_seen_was_missed_any_share_may_be(shop, build, zone):
    trial = shop.trial()
    blue, green = shop.tapper(), shop.tapper("green", person=shop.people.engineer)
    shop.write(
        blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND),
        blue(EntryKind.GOOD, cycles=5),
        green(EntryKind.CHECK, cycles=1, mode_ids=(shop.cell.chips.id,)),
    )
    assert "So any share of the failures may go unlogged" in build().spot_checks.words
    report = build_trial_report(shop.session, trial, now=shop.now, zone=zone)
    assert report.spot_checks.words.endswith(
        "Allowing for failures that nobody logged, nothing is known of the failure rate."
    )


def test_a_trial_shows_the_bound_that_allows_for_misses_beside_its_own(shop, zone):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    blue, green = shop.tapper(), shop.tapper("green", person=shop.people.engineer)
    dropped = {"cycles": 1, "mode_ids": (shop.cell.dropped.id,)}
    shop.write(
        blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND),
        *(blue(EntryKind.FAILED, **dropped) for _ in range(8)),
        blue(EntryKind.GOOD, cycles=400),
        *(green(EntryKind.CHECK, **dropped) for _ in range(9)),
    )
    report = build_trial_report(shop.session, trial, now=shop.now, zone=zone)
    expected = inflated_upper_bound(8, 408, 1, 9, confidence=0.9)
    assert report.spot_checks.upper_with_misses == expected.upper
    html = html_of(report)
    assert "How often a failure goes unlogged" in html
    said = f'title="{expected.upper}">{words.rate_up(expected.upper)}<'
    assert re.search(f'data-figure="upper_with_misses"><data value="[^"]+" {re.escape(said)}', html)
    assert "the verdict does not rest on this" in html


# ── What was not taken ───────────────────────────────────────────────────────────────────────


def test_lines_that_were_not_taken_stand_at_the_top(report):
    assert (report.parked.lines, report.parked.of_this_shift) == (2, 1)
    assert report.parked.words == (
        "2 lines from tablets were not taken into the logbook; see to them first; "
        "1 of them for this shift."
    )
    html = html_of(report)
    assert html.index(report.parked.words) < html.index("What ran")
    assert "See to parked lines" not in html  # a document leads nowhere


def test_a_line_for_another_shift_is_named_too(shop, build):
    shop.shift("A", good=10)
    shop.park(shop.tablet(), shift="B")
    assert build("A").parked.words.endswith("; none of them names this shift.")


def test_what_was_seen_to_is_not_shown_any_more(shop, build):
    shop.shift("A", good=10)
    parked = shop.park(shop.tablet())
    leave_out(shop.session, parked, "a demo", actor=shop.people.engineer, now=shop.now)
    report = build("A")
    assert report.parked.words == "Every line that a tablet sent is in the logbook."
    assert report.parked.words not in html_of(report)


def test_a_trials_report_names_what_waits(shop, zone):
    trial = shop.trial()
    shop.park(shop.tablet())
    report = build_trial_report(shop.session, trial, now=shop.now, zone=zone)
    assert report.parked_words == (
        "1 line from tablets was not taken into the logbook; see to it first."
    )
    assert report.parked_words in html_of(report)


# ── Tablets ──────────────────────────────────────────────────────────────────────────────────


def test_each_tablet_is_named_with_its_lines_and_its_clock(report):
    blue, green = report.tablets
    assert (blue.name, blue.lines, blue.cycles, blue.unplaced_cycles) == ("blue tablet", 9, 40, 3)
    assert (blue.ahead_least_seconds, blue.ahead_most_seconds) == (125, 125)
    assert blue.words == (
        "9 lines. Its clock was 2 min 5 s ahead; the times given here allow for that. 3 cycles "
        "have no known place among the others: tapped while it waited for the network and others "
        "logged, or between two counter readings. The verdict takes them once as early and once "
        "as late as can be."
    )
    assert (green.name, green.lines, green.cycles) == ("green tablet", 3, 0)
    assert green.words == "3 lines. Its clock was right to the minute."
    assert blue.words in html_of(report)


def test_a_shift_without_tablets_names_none(shop, build):
    shop.shift("A", good=10)
    report = build("A")
    assert report.tablets == ()
    assert "rp-tablets" not in html_of(report)


def test_one_cycle_without_a_place_is_one(shop, build):
    blue = shop.tapper()
    shop.write(
        blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND),
        blue(EntryKind.GOOD, cycles=1, order_known=False),
    )
    (facts,) = build().tablets
    assert "1 cycle has no known place among the others" in facts.words
    assert "takes it once as early" in facts.words


def test_a_clock_that_was_set_is_told(shop, build):
    blue = shop.tapper(ahead=timedelta(0))
    first = blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND)
    behind = blue(EntryKind.GOOD, 5, cycles=1)
    moved = behind.tablet_time - timedelta(hours=2)
    shop.write(first, behind._replace(tablet_time=moved))
    note_clock(shop.session, blue.tablet, shop.now, page=None, now=shop.now - timedelta(hours=2))
    note_clock(shop.session, blue.tablet, shop.now, page=None, now=shop.now)
    shop.session.commit()
    (facts,) = build().tablets
    assert (facts.ahead_least_seconds, facts.ahead_most_seconds) == (-7200, 0)
    assert facts.clock_ahead_seconds == 0
    assert facts.words == (
        "2 lines. Its clock differed from the times given here by between 2 h behind and nothing: "
        "it was set, or lines waited. The order of its lines rests on its own numbers, not on its "
        "clock. Its clock was seen to jump at 2026-03-02 15:00."
    )


@pytest.mark.parametrize(("hours", "shown"), [(-5, False), (-3.9, True), (-1, False)])
def test_a_jump_is_told_in_the_shift_in_which_it_was_seen(shop, build, hours, shown):
    blue = shop.tapper()
    shop.write(blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND), blue(EntryKind.SHIFT_CLOSED, 60))
    blue.tablet.clock_moved_at = shop.now + timedelta(hours=hours)
    shop.session.commit()
    assert ("seen to jump" in build().tablets[0].words) is shown


def test_a_tablet_whose_lines_say_no_time_is_not_judged(shop, build):
    blue = shop.tapper()
    shop.write(blue(EntryKind.SHIFT_OPENED, stage=Stage.BY_HAND, tablet_time=None))
    assert build().tablets[0].words == "1 line. What its clock said is not known."
