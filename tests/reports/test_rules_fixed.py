"""Pages and documents say when the rules were fixed, and warn where they were changed after."""

from datetime import timedelta

import pytest
from support.cells import good, opening, write

from trialog.records.audit import record_event
from trialog.records.database import unit_of_work
from trialog.reports.kinds import html_of
from trialog.reports.rules_fixed import rules_fixed
from trialog.reports.shift_report import build_shift_report
from trialog.reports.trial_report import build_trial_report

pytestmark = pytest.mark.database("sqlite")
"""Words are tried here; what they tell of is tried on both in tests/evidence."""


@pytest.fixture
def trial(shop):
    return shop.trial(days=3)


def said(shop, trial, zone):
    return rules_fixed(shop.session, trial, zone).words


def test_before_the_first_cycle_the_rules_may_be_changed(shop, trial, zone):
    words = said(shop, trial, zone)
    assert words == (
        "Requirement and plan were fixed on 2026-02-27 15:00; they may be changed until the "
        "first counted cycle."
    )


def test_rules_fixed_beforehand_name_both_moments(shop, trial, zone):
    shop.shift("A", days=2, good=5)
    report = build_trial_report(shop.session, trial, now=shop.now, zone=zone)
    assert report.fixed.words == (
        "Requirement and plan were fixed on 2026-02-27 15:00, before the first counted cycle "
        "(2026-02-28 14:59)."
    )
    assert report.fixed.words in html_of(report)


def test_a_log_entered_later_leaves_open_who_knew(shop, trial, zone):
    early = shop.now - timedelta(days=9)
    paper = opening("paper", occurred_at=early), good("paper", 5, occurred_at=early)
    write(shop.session, shop.cell, *paper, now=shop.now)
    words = said(shop, trial, zone)
    assert "after the first counted cycle (2026-02-21 15:00)" in words
    assert "before that was entered (2026-03-02 15:00): trialog cannot tell who knew" in words


def test_a_change_after_the_first_cycle_stands_on_every_document(shop, trial, zone):
    shop.shift("A", days=2, good=5)
    with unit_of_work(shop.session):
        for actor, details in ((shop.people.admin, {"after": {"chance": 0.5}}), (None, {})):
            record_event(
                shop.session, "changed", "requirement", trial.requirement_id, actor=actor,
                now=shop.now, **details,
            )  # fmt: skip
    at = {"now": shop.now, "zone": zone}
    report = build_trial_report(shop.session, trial, **at)
    first, second = report.fixed.changed_after
    assert first == (
        "The requirement was changed after the first counted cycle (chance), on 2026-03-02 15:00 "
        "by Adam Admin. A rule that is chosen after the results proves nothing."
    )
    assert "by the command line." in second
    shift = build_shift_report(shop.session, shop.shifts()["A"], **at)
    assert shift.trials[0].changed_after == (first, second)
    for document in (html_of(report), html_of(shift)):
        assert first in document


def test_the_trials_before_and_after_are_told_and_not_counted(shop, trial, zone):
    shop.shift("A", days=2, good=5, failed=[shop.cell.slow])
    later = shop.trial(name="again", days=1)
    later.follows_id = trial.id
    shop.session.commit()
    at = {"now": shop.now, "zone": zone}
    told = build_trial_report(shop.session, later, **at)
    words = "by hand: 6 cycles and 1 failure, NO-GO; not counted here"
    assert [other.words for other in told.former] == [words]
    assert told.later == ()
    assert told.verdict.evidence.cycles == 0
    assert words in html_of(told)
    assert "Went on as" in html_of(build_trial_report(shop.session, trial, **at))
