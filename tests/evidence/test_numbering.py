"""A failure left out of the numbering: the same as a non-relevant ruling makes of the evidence."""

import pytest

from trialog.evidence import judge

pytestmark = pytest.mark.database("sqlite")
"""The numbering asks no database; what it is held against is tried on both elsewhere."""


def numbers(evidence):
    return evidence.cycles, evidence.earliest, evidence.latest, evidence.positions


def assert_the_quick_way_is_the_same(numbering, sequence):
    left = numbering.without(sequence)
    for late in (False, True):
        assert numbering.places_without(sequence, late=late) == left.places(late=late)


def test_leaving_a_failure_out_is_what_ruling_it_out_does(bench):
    """With failures of known and of unknown order, before and after a no-test, in two shifts."""
    trial = bench.trial()
    bench.open("A", counter=0)
    bench.good(3)
    failed = [bench.fail(bench.drop), bench.fail(bench.slow, order_known=False)]
    bench.rule(bench.fail(bench.drop), relevant=False)
    bench.good(2)
    failed.append(bench.fail(bench.drop, bench.slow))
    bench.close(counter=9)
    failed += bench.run("B", 4, [bench.drop, bench.chips], first=9)
    evidence = judge(bench.session, trial).evidence
    assert evidence.failures_without_order == 1
    places = {cycle.entry: cycle.sequence for cycle in evidence.numbering.failed}
    for entry in failed:
        left = evidence.numbering.without(places[entry])
        with bench.session.begin_nested() as tried:
            bench.rule(entry, relevant=False)
            ruled = judge(bench.session, trial).evidence
            tried.rollback()
        bench.session.expire_all()
        found = (left.cycles, left.places(late=False), left.places(late=True), left.known())
        assert found == numbers(ruled), entry
        assert left.cycles == evidence.cycles - 1
        assert_the_quick_way_is_the_same(evidence.numbering, places[entry])


def test_a_line_that_is_no_failure_changes_nothing(bench):
    trial = bench.trial()
    bench.run("A", 9, [bench.drop])
    numbering = judge(bench.session, trial).evidence.numbering
    assert numbering.without(1) == numbering
    assert_the_quick_way_is_the_same(numbering, 1)
