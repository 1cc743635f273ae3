"""Signing a GO, and what makes a sign-off lapse."""

from dataclasses import asdict

import pytest

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError
from trialog.evidence import acknowledge, plan_of, refuse, sign, sign_offs
from trialog.records.models import AuditEvent, SignOff
from trialog.records.verify import verify
from trialog.records.words import (
    AcknowledgementKind,
    CounterEvent,
    EntryKind,
    PlanKind,
    Role,
    Stage,
)

STATEMENT = "I have watched the devices run and accept this verdict."


@pytest.fixture
def ready(bench):
    """A trial of the arm that stands at GO; 1,312 clean cycles at half of the chance."""
    trial = bench.trial(bench.arm)
    bench.run("A", 1400)
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    return trial


def signed(bench, trial, person=None, statement=STATEMENT, cautions=True):
    return sign(
        bench.session, trial, person or bench.approver,
        statement=statement, cautions_acknowledged=cautions, now=bench.clock,
    )  # fmt: skip


def lapses(bench, trial):
    (only,) = sign_offs(bench.session, trial)
    return only.lapses


def test_a_sign_off_names_who_signed_what_and_freezes_its_inputs(bench, ready):
    record = signed(bench, ready)
    assert (record.person_name, record.role, record.statement) == (
        "Approver", "approver", STATEMENT,
    )  # fmt: skip
    assert record.document["verdict"]["verdict"] == "GO"
    assert record.document["verdict"]["cycles"] == 1400
    assert record.document["logbook"] == {
        "first": 1,
        "lines": bench.cell.chain_length,
        "hash": bench.cell.chain_head,
    }
    assert record.document["signature"] == {
        "decision": "accepted", "person": "Approver", "role": "approver", "statement": STATEMENT,
        "at": bench.clock.isoformat(timespec="microseconds"),
    }  # fmt: skip
    assert record.document["requirement"]["sign_roles"] == ["engineer", "approver"]
    assert [noted["text"] for noted in record.document["acknowledgements"]] == ["read"]
    assert record.document["shifts"] == [
        {"label": "A", "cycles": 1400, "failures": 0, "no_tests": 0}
    ]
    assert not sign_offs(bench.session, ready)[0].lapsed
    bench.session.flush()
    events = bench.session.query(AuditEvent).filter_by(action="signed").all()
    assert [event.person_id for event in events] == [bench.approver.id]


@pytest.mark.parametrize("kind", PlanKind)
def test_a_sign_off_freezes_every_number_of_the_plan(bench, kind):
    """Where the NO-GO line lies, too: half of what decided is not what was signed."""
    trial = bench.trial(kind=kind)
    bench.run("A", plan_of(trial).max_cycles)
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    signed(bench, trial)
    bench.session.commit()
    record = sign_offs(bench.session, trial)[0].record
    assert record.document["plan"] == {"kind": str(kind), **asdict(plan_of(trial))}
    assert verify(bench.session) == []
    moved = record.document["plan"] | {"limit": 0.5}
    record.document = record.document | {"plan": moved}
    bench.session.commit()
    assert "its document was changed" in verify(bench.session)[0].what


def test_only_a_go_can_be_signed(bench):
    trial = bench.trial()
    bench.run("A", 10)
    with pytest.raises(ConflictError, match="only a GO can be signed; the verdict is KEEP RUN"):
        signed(bench, trial)
    assert sign_offs(bench.session, trial) == []


def test_an_operator_does_not_sign(bench, ready):
    with pytest.raises(NotAllowedError, match="may not sign off"):
        signed(bench, ready, bench.operator)


def test_only_roles_that_the_requirement_names_sign(bench, ready):
    admin = bench.person("Admin", Role.ADMIN)
    said = r"Admin \(admin\) does not sign here; the requirement asks for: engineer, approver"
    with pytest.raises(NotAllowedError, match=said):
        signed(bench, ready, admin)
    with pytest.raises(NotAllowedError, match=said):
        refuse(bench.session, ready, admin, reason="no", now=bench.clock)
    assert bench.session.query(SignOff).count() == 0


def test_the_statement_must_be_written_and_the_cautions_acknowledged(bench, ready):
    with pytest.raises(InvalidValueError, match="statement must be written"):
        signed(bench, ready, statement="  ")
    with pytest.raises(InvalidValueError, match="statement must be at most 2000 characters"):
        signed(bench, ready, statement="x" * 2001)
    with pytest.raises(InvalidValueError, match="cautions must be acknowledged"):
        signed(bench, ready, cautions=False)
    assert bench.session.query(SignOff).count() == 0


def test_nobody_signs_the_same_verdict_twice_but_may_sign_anew_after_a_lapse(bench, ready):
    signed(bench, ready)
    with pytest.raises(ConflictError, match="Approver has signed this verdict already"):
        signed(bench, ready)
    bench.run("B", 2, first=5000)
    signed(bench, ready)
    newest, oldest = sign_offs(bench.session, ready)
    assert (newest.lapsed, oldest.lapsed) == (False, True)


def test_an_operator_cannot_acknowledge(bench, ready):
    with pytest.raises(NotAllowedError):
        acknowledge(
            bench.session, ready, AcknowledgementKind.CAUTIONS, "read",
            actor=bench.operator, now=bench.clock,
        )  # fmt: skip


def test_a_later_entry_makes_the_sign_off_lapse(bench, ready):
    signed(bench, ready)
    bench.open("B")
    bench.good(2)
    assert lapses(bench, ready) == ("lines logged since: 1 open, 1 good",)


def test_a_later_revision_of_the_device_makes_it_lapse_and_says_what_changed(bench, ready):
    signed(bench, ready)
    bench.revise(bench.arm, "stiffer bracket")
    assert lapses(bench, ready) == ("changed since: stiffer bracket",)


def test_a_later_ruling_or_correction_makes_it_lapse(bench, ready):
    (failed,) = bench.run("B", 1, [bench.slow], first=5000)
    trial = bench.trial(bench.jet, name="jet")
    bench.run("C", 1400, first=6000)
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    signed(bench, trial)
    bench.rule(failed, relevant=True)
    assert lapses(bench, trial) == ("lines logged since: 1 ruling",)


def test_another_devices_revision_and_another_stages_shift_leave_it_standing(bench, ready):
    signed(bench, ready)
    bench.revise(bench.jet, "wider nozzle")
    bench.open("robot", stage=Stage.ROBOT_ATTENDED)
    bench.write(EntryKind.NOTE, text="first day with the robot")
    assert lapses(bench, ready) == ()


def test_any_devices_revision_makes_a_sign_off_of_the_whole_cell_lapse(bench):
    trial = bench.trial()
    bench.run("A", 700)
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    signed(bench, trial)
    bench.revise(bench.jet, "wider nozzle")
    assert lapses(bench, trial) == ("changed since: wider nozzle",)


def test_verify_stands_by_a_sign_off_until_its_document_or_its_logbook_is_changed(bench, ready):
    record = signed(bench, ready)
    bench.session.commit()
    assert verify(bench.session) == []
    record.document = record.document | {"stage": "unattended"}
    bench.session.commit()
    assert [d.what for d in verify(bench.session)] == [
        "its document was changed after it was signed"
    ]
    record.document = record.document | {"stage": "by hand"}
    record.chain_head = "0" * 64
    bench.session.commit()
    assert [d.what for d in verify(bench.session)] == [
        "the logbook no longer holds what it was signed on"
    ]


def test_it_lapses_where_what_the_log_is_held_against_changes_outside_the_logbook(bench):
    trial = bench.trial()
    bench.open("A", counter=9_900)
    bench.good(700)
    bench.close(counter=600, counter_event=CounterEvent.ROLLED_OVER)
    acknowledge(
        bench.session, trial, AcknowledgementKind.CAUTIONS, "read",
        actor=bench.engineer, now=bench.clock,
    )  # fmt: skip
    signed(bench, trial)
    assert lapses(bench, trial) == ()
    bench.cell.counter_modulus = 100_000
    assert lapses(bench, trial) == ("the verdict is KEEP RUNNING now",)


@pytest.mark.parametrize(
    ("late", "said"),
    [
        ({"kind": EntryKind.GOOD, "cycles": 2}, "lines logged since: 1 good"),
        ({"kind": EntryKind.STOP, "clear_seconds": 40}, "lines logged since: 1 stop"),
    ],
)
def test_what_a_tablet_kept_through_the_closing_and_the_signing_makes_the_sign_off_lapse(
    bench, ready, late, said
):
    """A tablet that was out of reach for an hour sends what it had before the shift closed."""
    before_closing = bench.cell.chain_length - 1
    signed(bench, ready)
    bench.write(
        **late, tablet_id=bench.tablet().id, tablet_number=1, tablet_time=bench.clock,
        seen=before_closing,
    )  # fmt: skip
    assert lapses(bench, ready) == (said,)


def test_a_photo_that_arrives_after_the_signing_makes_it_lapse(bench, ready):
    bench.open("B", counter=1400)
    failed = bench.fail(bench.drop)
    bench.close(1401)
    bench.rule(failed, relevant=False)
    signed(bench, ready)
    bench.write(EntryKind.PHOTO, target=failed, photo="ab" * 32)
    assert lapses(bench, ready) == ("lines logged since: 1 photo",)
