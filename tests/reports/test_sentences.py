"""The sentence for every case a trial or shift can be in."""

from datetime import timedelta

import pytest
from support.cells import closing, failed, good, opening, revision, ruling

from trialog.evidence import acknowledge, judge, plan_of, reconcile, sign, sign_offs
from trialog.records.words import AcknowledgementKind, CounterEvent, PlanKind
from trialog.reliability import failure_rate_bounds, fixed_plan, zero_failure_plan
from trialog.reports import sentences


def sentence(shop, trial):
    return sentences.proven(judge(shop.session, trial))


def ready(shop, **options):
    """Start a trial of the whole cell and bring it to GO: 875 clean cycles."""
    trial = shop.trial(name="ready", **options)
    shop.shift("A", good=900, counters=(0, 900))
    acknowledge(
        shop.session, trial, AcknowledgementKind.CAUTIONS, "read", actor=shop.people.engineer,
        now=shop.now,
    )  # fmt: skip
    shop.session.commit()
    return trial


def test_without_a_cycle_nothing_is_proven(shop):
    assert sentence(shop, shop.trial()) == (
        "Nothing proven yet: no cycle has been counted. Required: 30 min alone at 90 % chance. "
        "875 more clean cycles, 2 shifts."
    )


def test_clean_cycles_so_far_prove_a_stretch_and_the_rest_is_counted_in_cycles_and_shifts(shop):
    trial = shop.trial(stretch_hours=4)
    shop.shift("A", good=500)
    assert sentence(shop, trial) == (
        "Proven so far: 15 min alone at 90 % chance. Required: 4 h. "
        "About 6,500 more clean cycles, 13 shifts."
    )


def test_a_devices_stretch_is_proven_at_its_share_of_the_chance(shop):
    trial = shop.trial(shop.cell.arm)
    shop.shift("A", good=500)
    assert sentence(shop, trial).startswith(
        "Proven so far: 4 min alone at its share of the 90 % chance. Required: 30 min. "
    )


def test_where_every_cycle_failed_nothing_is_proven(shop):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", failed=[shop.cell.dropped])
    assert sentence(shop, trial).startswith("Nothing proven: every counted cycle failed. Required:")


def test_a_go_says_so(shop):
    assert sentence(shop, ready(shop)) == (
        "Proven: 30 min alone at 90 % chance. Required: 30 min. Every line of the verdict holds."
    )


def test_a_plan_that_is_reached_with_lines_open_names_them(shop):
    trial = shop.trial()
    shop.shift("A", good=900)
    assert sentence(shop, trial) == (
        "Proven so far: 30 min alone at 90 % chance. Required: 30 min. The plan has reached its "
        "GO line. Still open: log agrees with the machine counter and cautions acknowledged."
    )


def test_one_missing_cycle_is_one_cycle(shop):
    trial = shop.trial()
    shop.shift("A", good=874)
    assert sentence(shop, trial).endswith("1 more clean cycle, 1 shift.")


def test_more_failures_than_the_plan_allows_are_a_no_go(shop):
    trial = shop.trial()
    shop.shift("A", good=100, failed=[shop.cell.dropped])
    assert sentence(shop, trial).endswith(
        "NO-GO: 1 relevant failure, and the plan allows none. "
        "Rule first: 1 failure not ruled on counts as relevant."
    )


def test_a_no_go_that_no_ruling_can_lift_asks_for_a_change(shop):
    trial = shop.trial()
    entries = shop.shift("A", good=100, failed=[shop.cell.dropped] * 2)
    assert sentence(shop, trial).endswith("Rule first: 2 failures not ruled on count as relevant.")
    shop.write(*(ruling(entry.client_id, True) for entry in entries if entry.kind == "failed"))
    assert sentence(shop, trial).endswith(
        "NO-GO: 2 relevant failures, and the plan allows none. "
        "Change the device and begin the evidence anew."
    )


def test_a_fixed_plan_says_how_many_failures_it_allowed(shop):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", good=100, failed=[shop.cell.dropped] * 3)
    assert "NO-GO: 3 relevant failures, and the plan allows at most 1." in sentence(shop, trial)


def test_a_crossed_no_go_line_says_where(shop):
    trial = shop.trial(kind=PlanKind.SEQUENTIAL)
    shop.shift("A", good=5_000, failed=[shop.cell.dropped])
    assert "NO-GO: 1 relevant failure within 1 cycle crossed the plan's NO-GO line." in sentence(
        shop, trial
    )


def test_many_failures_since_a_go_say_so_too(shop):
    trial = shop.trial(kind=PlanKind.SEQUENTIAL)
    shop.shift("A", days=1, good=plan_of(trial).go_line(0))
    shop.shift("B", failed=[shop.cell.dropped] * 2)
    assert (
        f"NO-GO: 2 relevant failures within {plan_of(trial).go_line(0) + 2:,} cycles"
        in sentence(shop, trial)
    )


def test_an_order_that_nobody_knows_is_not_mended_by_clean_cycles(shop):
    trial = shop.trial(kind=PlanKind.SEQUENTIAL)
    shop.write(
        opening("A"), good("A", 5_000), failed("A", shop.cell.dropped, order_known=False),
        closing("A"),
    )  # fmt: skip
    assert (
        "No number of clean cycles leads to GO. Still open: plan reached its GO line"
        in sentence(shop, trial)
    )


def test_the_bound_says_for_which_looks_it_holds(shop):
    trial = shop.trial()
    shop.shift("A", days=1, good=500)
    verdict = judge(shop.session, trial)
    assert sentences.note_on_bound(verdict) == (
        "This bound may be looked at after every cycle: its chance of ever having been too low is "
        "at most what the confidence leaves. The exact bound, 0.46 %, is lower and holds for one "
        "look at a number of cycles fixed beforehand."
    )
    shop.shift("B", good=500)
    verdict = judge(shop.session, trial)
    assert sentences.note_on_bound(verdict).startswith(
        "The plan has come to GO, and this bound is that of its stop"
    )


def test_a_failure_that_can_damage_is_a_no_go_whatever_the_plan_says(shop):
    trial = shop.trial(kind=PlanKind.FIXED_SIZE)
    shop.shift("A", good=100, failed=[shop.cell.chips])
    assert "NO-GO: 1 relevant failure that can damage." in sentence(shop, trial)


@pytest.mark.parametrize("later", ["entry", "revision", "ruling"])
def test_a_lapsed_sign_off_names_who_when_and_why(shop, zone, later):
    trial = ready(shop, kind=PlanKind.FIXED_SIZE)
    entries = shop.shift("B", good=2000, failed=[shop.cell.dropped], counters=(900, 2901))
    shop.write(ruling(entries[1].client_id, True))
    sign(
        shop.session, trial, shop.people.approver, statement="seen", cautions_acknowledged=True,
        now=shop.now,
    )  # fmt: skip
    shop.session.commit()
    assert sentences.lapsed(sign_offs(shop.session, trial), zone) == []
    why = {
        "entry": "lines logged since: 1 open, 1 good, 1 close",
        "revision": "changed since: stronger spring",
        "ruling": "lines logged since: 1 ruling",
    }[later]
    if later == "entry":
        shop.shift("C", good=1)
    elif later == "revision":
        shop.write(revision(shop.cell.arm))
    else:
        shop.write(ruling(entries[1].client_id, False))
    assert sentences.lapsed(sign_offs(shop.session, trial), zone) == [
        f"The sign-off by Anna Approver of 2026-03-02 15:00 has lapsed: {why}."
    ]


def test_counts_alone_are_said_with_their_bound():
    assert sentences.bounded(failure_rate_bounds(0, 1920)) == (
        "No relevant failure in 1,920 cycles: at 95 % confidence the failure rate is at most "
        "0.16 % (1 in 641 cycles)."
    )
    assert sentences.bounded(failure_rate_bounds(1, 1)) == (
        "The one cycle counted failed, so nothing is known of the failure rate."
    )
    assert sentences.bounded(failure_rate_bounds(1_200, 1_200)) == (
        "All of the 1,200 cycles counted failed, so any failure rate may be true."
    )
    assert "nothing is known" in sentences.bounded(failure_rate_bounds(0, 0))


def test_a_shift_says_how_far_it_moved_each_trial():
    said = sentences.shift_proved(
        failure_rate_bounds(0, 960),
        [("arm", 2400, 4320), ("jet", 60, 65), ("new", None, None)],
    )
    assert said.endswith(
        "arm: the proven stretch goes from 40 min to 1 h 12 min. "
        "The proven stretch stays as it was for jet."
    )


def test_a_plan_is_said_with_the_chances_of_a_bad_and_a_good_device():
    assert sentences.plan(fixed_plan(0.01, 0.002, confidence=0.9, good_pass=0.9), "fixed-size") == (
        "Fixed-size plan: 531 cycles with at most 2 failures. A device that fails at the limit "
        "passes with at most 10 % chance, one at the design rate of 0.20 % with at least 90 %."
    )
    assert sentences.plan(zero_failure_plan(0.05, 0.95), "zero-failure").endswith(
        "passes with at most 4.9 % chance."
    )


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ({"counters": (0, 100)}, "The machine counted 100 cycles (from 0 to 100), and 100 cycles "
         "were logged: they agree."),
        ({"counters": (0, 103)}, "and 100 cycles were logged: 3 cycles nobody logged."),
        ({}, "100 cycles logged. There is no pair of readings to compare with."),
        ({"closed": False}, "The shift is open; 100 cycles logged so far."),
    ],
)  # fmt: skip
def test_the_counter_is_compared_in_words(shop, what, said):
    shop.shift("A", good=100, **what)
    assert sentences.counter(reconcile(shop.session, shop.shifts()["A"])).endswith(said)


def test_a_counter_that_rolled_over_was_reset_or_counted_too_little_is_said(shop):
    def said(label, opening_at, closing_at, **fields):
        shop.write(
            *placed(
                shop,
                opening(label, counter=opening_at),
                good(label, 100),
                closing(label, counter=closing_at, **fields),
            )
        )
        return sentences.counter(reconcile(shop.session, shop.shifts()[label]))

    assert said("A", 9_950, 50, counter_event=CounterEvent.ROLLED_OVER) == (
        "The machine counted 100 cycles (from 9,950 to 50, rolled over), and 100 cycles were "
        "logged: they agree."
    )
    assert said("B", 9_950, 50, counter_event=CounterEvent.RESET) == (
        "100 cycles logged. The counter was reset during the shift, so it cannot tell."
    )
    assert said("C", 0, 98, mismatch_accepted=True).endswith(
        "2 cycles more than the machine counted."
    )


def placed(shop, *lines):
    moments = (shop.now - timedelta(seconds=len(lines) - at) for at in range(len(lines)))
    return [line._replace(occurred_at=moment) for line, moment in zip(lines, moments, strict=True)]


@pytest.mark.parametrize(
    ("before", "first", "said"),
    [
        ((0, 100), 100, "The counter did not move between the closing of shift A and this"),
        ((0, 100), 112, "The machine counted 12 cycles between the closing of shift A and this"),
        ((0, 100), 90, "The counter fell from 100 to 90 between the closing of shift A and this"),
        ((0, 9_990), 15, "The machine counted 25 cycles between the closing of shift A and this"),
        ((0, 9_990), 0, "The counter fell from 9,990 to 0 between the closing of shift A and"),
        (None, 90, "No pair of readings to compare with the closing of shift A."),
    ],
)
def test_what_the_counter_did_between_two_shifts_is_said(shop, before, first, said):
    shop.shift("A", days=1, good=100, counters=before)
    shop.shift("B", good=10, counters=(first, first + 10))
    shifts = shop.shifts()
    assert sentences.gap(shifts["B"], shifts["A"]).startswith(said)
    assert sentences.gap(shifts["A"], None) == "No earlier shift on this cell."
