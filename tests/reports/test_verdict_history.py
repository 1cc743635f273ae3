"""What was said of a trial before, in its report and on its page."""

from trialog.evidence import note_verdicts
from trialog.records.database import unit_of_work
from trialog.records.words import PlanKind
from trialog.reports.trial_report import build_trial_report


def note(shop, trial):
    with unit_of_work(shop.session):
        note_verdicts(shop.session, trial.cell, now=shop.now)


def test_each_verdict_says_what_differed_from_the_one_before(shop, zone):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    note(shop, trial)
    shop.shift("A", days=2, good=2000, counters=(0, 2000))
    note(shop, trial)
    shop.shift("B", days=1, failed=[shop.cell.chips], counters=(2000, 2001))
    note(shop, trial)
    report = build_trial_report(shop.session, trial, now=shop.now, zone=zone)
    assert [row.changed for row in report.history] == [
        "first noted",
        "now met: plan reached its GO line and log agrees with the machine counter",
        "was: KEEP RUNNING; no longer met: no failure that can damage and every failure ruled on",
    ]
    assert [(row.cycles, row.failures) for row in report.history] == [(0, 0), (2000, 0), (2001, 1)]
    assert report.history[-1].unmet[-1] == "cautions acknowledged"
    chart = next(one for one in report.charts if one.name == "decisions-over-cycles")
    assert chart.tables[0].rows[-1] == ("now", "NO-GO", 2_001, 1)
