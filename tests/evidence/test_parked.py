"""Lines that the logbook did not take are evidence that nobody has looked at."""

from datetime import timedelta

import pytest

from trialog.errors import ConflictError
from trialog.evidence import acknowledge, judge, sign, sign_offs, verdict_as_dict
from trialog.records.models import Cell
from trialog.records.parking import leave_out, take_back
from trialog.records.words import AcknowledgementKind

AGREES = "log agrees with the machine counter"
CLEAN = 700


@pytest.fixture
def trial(bench):
    """A trial that stands at GO."""
    trial = bench.trial()
    bench.run("A", CLEAN)
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    assert judge(bench.session, trial).verdict == "GO"
    return trial


def line(bench, trial):
    reasons = judge(bench.session, trial).reasons
    return next(reason for reason in reasons if reason.name == AGREES)


def settle(bench, parked):
    leave_out(bench.session, parked, "tapped in a demo", actor=bench.engineer, now=bench.clock)


def test_a_parked_line_holds_a_go_back(bench, trial):
    bench.park(bench.tablet())
    verdict = judge(bench.session, trial)
    assert verdict.verdict == "KEEP RUNNING"
    assert [reason.name for reason in verdict.unmet] == [AGREES]
    assert line(bench, trial).detail.startswith(
        "1 line from tablets was not taken into the logbook; see to it first; "
    )
    assert verdict_as_dict(verdict)["parked_lines"] == 1


def test_three_parked_lines_are_counted_over_all_tablets(bench, trial):
    bench.park(bench.tablet("blue"), "p1")
    green = bench.tablet("green")
    bench.park(green, "p2")
    bench.park(green, "p3")
    assert line(bench, trial).detail.startswith(
        "3 lines from tablets were not taken into the logbook; see to them first"
    )


def test_a_line_that_was_left_out_holds_nothing_back_and_is_named_to_whoever_signs(bench, trial):
    settle(bench, bench.park(bench.tablet()))
    assert judge(bench.session, trial).verdict == "GO"
    assert line(bench, trial).detail.endswith(
        "; 1 line from tablets was left out by an engineer, with a reason"
    )
    assert verdict_as_dict(judge(bench.session, trial))["parked_lines"] == 0


def test_two_lines_that_were_left_out_are_two(bench, trial):
    tablet = bench.tablet()
    settle(bench, bench.park(tablet, "p1"))
    settle(bench, bench.park(tablet, "p2"))
    assert "2 lines from tablets were left out" in line(bench, trial).detail


def test_a_line_that_its_operator_took_back_is_nothing(bench, trial):
    parked = bench.park(bench.tablet())
    take_back(bench.session, parked, actor=bench.operator, now=bench.clock)
    assert line(bench, trial).met
    assert "tablets" not in line(bench, trial).detail


def test_a_line_parked_before_the_evidence_began_is_past(bench, trial):
    bench.park(bench.tablet())
    bench.revise(bench.arm, "stronger spring")
    bench.run("B", CLEAN, first=CLEAN)
    assert judge(bench.session, trial).verdict == "GO"


def test_a_line_parked_before_the_trial_began_is_past(bench):
    bench.park(bench.tablet())
    bench.clock += timedelta(minutes=1)
    trial = bench.trial(begins_at=bench.clock)
    assert judge(bench.session, trial).evidence.parked.waiting == 0


def test_a_line_of_another_cell_is_that_cells(bench, trial):
    parked = bench.park(bench.tablet())
    other = Cell(
        name="Other", machine="M", part="P", operation="1", planned_cycle_seconds=1.0,
        created_at=bench.clock, chain_length=0, chain_head="",
    )  # fmt: skip
    bench.session.add(other)
    bench.session.flush()
    parked.cell_id = other.id
    bench.session.flush()
    assert line(bench, trial).met


def test_a_no_go_stays_one_whatever_is_parked(bench):
    trial = bench.trial()
    bench.run("A", 20, failed=[bench.chips])
    bench.park(bench.tablet())
    assert judge(bench.session, trial).verdict == "NO-GO"


def test_nothing_is_signed_while_a_line_waits(bench, trial):
    bench.park(bench.tablet())
    with pytest.raises(ConflictError, match="only a GO can be signed"):
        sign(
            bench.session, trial, bench.approver, statement="seen",
            cautions_acknowledged=True, now=bench.clock,
        )  # fmt: skip


def test_a_line_parked_after_the_signing_makes_it_lapse(bench, trial):
    sign(
        bench.session, trial, bench.approver, statement="seen",
        cautions_acknowledged=True, now=bench.clock,
    )  # fmt: skip
    assert not sign_offs(bench.session, trial)[0].lapsed
    parked = bench.park(bench.tablet())
    (signed,) = sign_offs(bench.session, trial)
    assert signed.lapses == ("lines from tablets that were not taken into the logbook since: 1",)
    settle(bench, parked)
    assert sign_offs(bench.session, trial)[0].lapsed
