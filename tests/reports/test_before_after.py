"""Two verdicts side by side, and what has changed told in a sentence."""

from __future__ import annotations

import pytest
from support.cells import ruling

from trialog.evidence import judge
from trialog.evidence.what_if import what_if
from trialog.records.words import PlanKind
from trialog.reports import words
from trialog.reports.before_after import compare_verdicts

pytestmark = pytest.mark.database("sqlite")  # what is told of two verdicts, wherever they are from


@pytest.fixture
def compared(shop):
    """Return a maker of comparisons: how a trial stands, and what if."""
    trial = shop.trial(kind=PlanKind.SEQUENTIAL, design_rate=0.001)
    shop.lines = shop.shift("A", good=299, failed=[shop.cell.dropped])

    def make(**question):
        before = judge(shop.session, trial)
        return compare_verdicts(before, what_if(shop.session, trial, **question))

    return make


def changed(comparison):
    return {pair.name: (pair.before, pair.after) for pair in comparison.figures if pair.changed}


def test_of_two_that_are_the_same_nothing_is_told(compared):
    same = compared()
    assert same.sentence == ""
    assert changed(same) == {}
    assert all(line.before == line.after for line in same.lines)


def test_what_a_ruling_changes_is_told_figure_by_figure(shop, compared):
    failed = shop.lines[1].client_id
    ruled_out = compared(rulings=[(failed, shop.cell.dropped.id, False)])
    told = changed(ruled_out)
    assert told["relevant failures"] == ("1", "0")
    assert told["no-tests"] == ("0", "1")
    assert told["counted cycles"] == ("300", "299")
    assert told["waiting for a ruling"] == ("1", "0")
    assert told["failure rate"] == ("0.33 %", "0 %")
    bounds = [words.rate_up(each.upper) for each in (ruled_out.before, ruled_out.after)]
    assert list(told["failure rate, at most"]) == bounds
    proven = [
        words.stretch(each.proven_stretch_seconds) for each in (ruled_out.before, ruled_out.after)
    ]
    assert ruled_out.sentence == (
        "Relevant failures: 0 instead of 1; no-tests: 1 instead of 0; counted cycles: 299 "
        "instead of 300; waiting for a ruling: 0 instead of 1; the failure rate is at most "
        f"{bounds[1]} instead of {bounds[0]}; proven stretch: {proven[1]} instead of {proven[0]}; "
        "the verdict stays KEEP RUNNING."
    )


def test_the_limit_never_looks_as_if_it_had_changed(compared):
    # Bounds near the limit are told with more digits, and the limit beside them too.
    for cycles in range(0, 3_000, 250):
        assert "limit" not in changed(compared(clean_cycles=cycles))


def test_another_verdict_is_told_as_such(shop, compared):
    damaged = compared(failures=[shop.cell.chips.id])
    assert damaged.sentence.endswith("; the verdict is NO-GO instead of KEEP RUNNING.")
    assert changed(damaged)["clean cycles to go"][1] == "none lead to GO"


def test_a_line_says_whether_it_holds_in_both(shop, compared):
    shop.write(ruling(shop.lines[1].client_id, True))
    more = compared(failures=[shop.cell.chips.id])
    lines = {line.name: line for line in more.lines}
    damage = lines["no failure that can damage"]
    assert (damage.met_before, damage.met_after) == (True, False)
    assert "1 relevant failure that can damage" in damage.after
    assert lines["every failure ruled on"].met_after
