"""What the report of a trial says, against the records and the engine."""

from datetime import timedelta

import pytest
from support.cells import revision, ruling

from trialog.evidence import acknowledge, explained, judge, sign, verdict_as_dict
from trialog.records.words import AcknowledgementKind, PlanKind
from trialog.reports.shift_report import build_shift_report
from trialog.reports.trial_report import build_trial_report, trial_report_as_dict


def build(shop, zone, trial):
    return build_trial_report(shop.session, trial, now=shop.now, zone=zone)


@pytest.fixture
def arm(shop):
    """A trial of the arm with two revisions, one of which kept the evidence, and two shifts."""
    trial = shop.trial(shop.cell.arm, name="arm", kind=PlanKind.FIXED_SIZE)
    shop.shift("Old", days=9, good=40, failed=[shop.cell.dropped])
    shop.write(
        *(
            _on(shop, day, revision(shop.cell.arm, text, resets=resets))
            for day, text, resets in ((8, "new gripper", True), (3, "new cover", False))
        )
    )
    shop.shift("New", days=2, good=200, failed=[shop.cell.slow], counters=(0, 201))
    shop.shift("Tray", days=1, good=99, failed=[shop.cell.missed], closed=False)
    return trial


def _on(shop, days, line):
    return line._replace(occurred_at=shop.now - timedelta(days=days))


def test_the_figures_are_the_engines(shop, zone, arm):
    report, verdict = build(shop, zone, arm), explained(judge(shop.session, arm))
    assert verdict_as_dict(report.verdict) == verdict_as_dict(verdict)
    (device, *modes) = report.rates
    assert (device.failures, device.cycles, device.upper) == (1, 301, verdict.bounds.upper)
    assert [(mode.name, mode.failures) for mode in modes] == [
        ("dropped part", 0), ("slow return", 1),
    ]  # fmt: skip


def test_shifts_that_hold_evidence_are_listed_with_the_counter(shop, zone, arm):
    rows = build(shop, zone, arm).shifts
    assert [(row.shift, row.cycles, row.failures, row.counter) for row in rows] == [
        ("New", 201, 1, "agrees"), ("Tray", 100, 0, "shift open"),
    ]  # fmt: skip
    assert (rows[0].counted, rows[1].counted, rows[1].closed_at) == (201, None, None)


def test_revisions_say_which_of_them_the_evidence_rests_on(shop, zone, arm):
    rows = build(shop, zone, arm).revisions
    assert [(row.what, row.resets_evidence, row.in_evidence) for row in rows] == [
        ("as first set up", True, False), ("new gripper", True, True), ("new cover", False, True),
    ]  # fmt: skip
    assert rows[2].reason == "does not touch the chore"


def test_failures_of_the_evidence_are_those_of_the_device_since_the_revision(shop, zone, arm):
    (only,) = build(shop, zone, arm).failures
    assert (only.shift, only.mode, only.ruling) == ("New", "slow return", "not ruled on")


def test_a_trial_of_the_cell_lists_every_devices_failures_and_rates(shop, zone):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", good=10, failed=[(shop.cell.dropped, shop.cell.missed)])
    report = build(shop, zone, trial)
    assert [line.device for line in report.failures] == ["arm", "tray"]
    assert report.rates[0].level == "cell"
    assert report.rates[0].failures == 1


def test_the_latest_ruling_that_stands_gives_the_reason(shop, zone):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    line = shop.shift("A", good=10, failed=[(shop.cell.dropped, shop.cell.missed)])[1]
    shop.write(ruling(line.client_id, False, reason="first"))
    shop.write(ruling(line.client_id, True, shop.cell.missed, reason="second"))
    failures = build(shop, zone, trial).failures
    assert [(one.ruling, one.reason) for one in failures] == [
        ("non-relevant", "first"), ("relevant", "second"),
    ]  # fmt: skip


def test_requirement_and_plan_are_said_with_both_chances(shop, zone, arm):
    stated = build(shop, zone, arm).requirement
    plan = judge(shop.session, arm).plan
    assert stated.pass_chance_at_limit == plan.pass_chance(plan.limit) <= 0.1
    assert stated.pass_chance_at_design == plan.pass_chance(plan.design) >= 0.9
    assert stated.requirement_words == (
        "Run alone for 30 min at 45 s a cycle, which is 40 cycles, with 90 % chance of no stop, "
        "shown at 90 % confidence. The whole cell may then fail in at most 0.26 % of its cycles."
    )
    assert stated.share_words == (
        "Of that allowance arm has 33 %, its share of the 90 % chance: it may fail in at most "
        "0.087 % of its cycles."
    )


def test_the_note_says_what_the_bound_is_good_for(shop, zone, arm):
    assert "one look at a number of cycles fixed beforehand" in build(shop, zone, arm).note_on_bound


def test_acknowledgements_and_sign_offs_are_on_it_with_their_lapses(shop, zone):
    trial, people = shop.trial(), shop.people
    shop.shift("A", days=1, good=900, counters=(0, 900))
    acknowledge(
        shop.session, trial, AcknowledgementKind.CAUTIONS, "guards are up",
        actor=people.engineer, now=shop.now,
    )  # fmt: skip
    sign(
        shop.session, trial, people.approver, statement="I accept", cautions_acknowledged=True,
        now=shop.now,
    )  # fmt: skip
    shop.session.commit()
    report = build(shop, zone, trial)
    assert [(one.kind, one.person, one.text) for one in report.acknowledgements] == [
        ("cautions", "Emil Engineer", "guards are up")
    ]
    assert not report.sign_offs[0].lapsed
    assert report.lapsed == ()
    shop.write(revision(shop.cell.jet))
    report = build(shop, zone, trial)
    (lapse,) = report.sign_offs[0].lapses
    assert lapse.words == "changed since: stronger spring"
    assert [line.words for line in lapse.lines] == [
        "line 4, revision: Emil Engineer, 2026-03-02 15:00"
    ]
    assert len(report.lapsed) == 1


def test_once_all_have_signed_anew_what_lapsed_is_warned_of_no_more(shop, zone):
    trial, people = shop.trial(), shop.people

    def both_sign():
        for person in (people.engineer, people.approver):
            sign(
                shop.session, trial, person, statement="seen", cautions_acknowledged=True,
                now=shop.now,
            )  # fmt: skip
        shop.session.commit()

    shop.shift("A", days=1, good=900, counters=(0, 900))
    acknowledge(
        shop.session, trial, AcknowledgementKind.CAUTIONS, "guards are up",
        actor=people.engineer, now=shop.now,
    )  # fmt: skip
    both_sign()
    assert build(shop, zone, trial).sign_off.status == "signed"
    shop.shift("B", good=10, counters=(900, 910))
    report = build(shop, zone, trial)
    assert (report.sign_off.status, len(report.lapsed)) == ("lapsed", 2)
    both_sign()
    report = build(shop, zone, trial)
    assert (report.sign_off.status, report.lapsed) == ("signed", ())
    assert [row.state for row in report.sign_offs] == ["stands", "stands", "lapsed", "lapsed"]
    shift = build_shift_report(shop.session, shop.shifts()["B"], now=shop.now, zone=zone)
    assert [item.lapsed for item in shift.trials] == [()]


def test_the_json_leaves_out_what_is_for_pages_only(shop, zone, arm):
    data = trial_report_as_dict(build(shop, zone, arm))
    assert data["verdict"] == verdict_as_dict(explained(judge(shop.session, arm)))
    assert not {"chart", "trial_id", "cell_id", "clock"} & set(data)
    assert "shift_id" not in data["shifts"][0]
    assert data["begins_at"] is None
