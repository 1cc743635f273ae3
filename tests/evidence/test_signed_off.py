"""When a trial is signed off: by whom, what a refusal and a revocation do, what a lapse names."""

from datetime import timedelta

import pytest
from sqlalchemy import select

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError
from trialog.evidence import (
    acknowledge,
    may_revoke,
    refuse,
    revoke,
    sign,
    sign_offs,
    trial_signed,
)
from trialog.records.models import AuditEvent, Revocation, SignOff
from trialog.records.words import AcknowledgementKind, Role, SignDecision

STATEMENT = "I have watched the devices run and accept this verdict."


class Signing:
    """A trial of the arm that stands at GO, and short ways to sign it."""

    def __init__(self, bench, **requirement):
        self.bench, self.session = bench, bench.session
        self.trial = bench.trial(bench.arm, **requirement)
        bench.run("A", 1400)
        acknowledge(
            bench.session, self.trial, AcknowledgementKind.CAUTIONS, "read",
            actor=bench.engineer, now=bench.clock,
        )  # fmt: skip

    def sign(self, person):
        return sign(
            self.session, self.trial, person,
            statement=STATEMENT, cautions_acknowledged=True, now=self.bench.clock,
        )  # fmt: skip

    def refuse(self, person, reason="the chute is open"):
        return refuse(self.session, self.trial, person, reason=reason, now=self.bench.clock)

    def revoke(self, record, person, reason="I looked at another machine"):
        return revoke(self.session, record, person, reason=reason, now=self.bench.clock)

    @property
    def state(self):
        return trial_signed(self.session, self.trial)


@pytest.fixture
def signing(bench):
    return Signing(bench)


def test_nobody_has_signed_at_first(signing):
    state = signing.state
    assert (state.status, state.signed, state.newest) == ("none", False, None)
    assert state.missing == state.required == (Role.ENGINEER, Role.APPROVER)


def test_a_trial_is_signed_off_once_every_role_has_signed(bench, signing):
    signing.sign(bench.approver)
    assert (signing.state.status, signing.state.missing) == ("incomplete", (Role.ENGINEER,))
    signing.sign(bench.engineer)
    assert signing.state.signed
    assert signing.state.missing == ()
    assert [item.record.person_name for item in signing.state.signatures] == [
        "Engineer", "Approver",
    ]  # fmt: skip


def test_the_requirement_may_ask_for_one_role_alone(bench):
    signing = Signing(bench, sign_roles=(Role.ADMIN,))
    with pytest.raises(NotAllowedError, match="asks for: admin"):
        signing.sign(bench.approver)
    signing.sign(bench.person("Admin", Role.ADMIN))
    assert signing.state.signed


def test_one_person_does_not_sign_in_two_roles(bench, signing):
    signing.sign(bench.engineer)
    bench.engineer.role = Role.APPROVER
    with pytest.raises(ConflictError, match="Engineer has signed this verdict already"):
        signing.sign(bench.engineer)
    # Nor does a second row of the same person, however it came to be.
    twin = signing.sign(bench.approver)
    twin.person_id = bench.engineer.id
    assert signing.state.missing == (Role.APPROVER,)


def test_a_refusal_holds_the_sign_off_back_whoever_else_signs(bench, signing):
    signing.sign(bench.engineer)
    record = signing.refuse(bench.approver)
    assert (record.decision, record.statement) == (SignDecision.REFUSED, "the chute is open")
    assert record.document["signature"]["decision"] == "refused"
    signing.sign(bench.person("Another", Role.APPROVER))
    assert signing.state.status == "refused"
    assert [item.record for item in signing.state.refusals] == [record]
    signing.revoke(record, bench.approver, "the chute has a lid now")
    assert signing.state.signed


def test_any_verdict_can_be_refused_and_a_refusal_ends_with_new_lines(bench):
    trial = bench.trial(bench.arm)
    bench.run("A", 10)
    refuse(bench.session, trial, bench.engineer, reason="far too early", now=bench.clock)
    assert trial_signed(bench.session, trial).status == "refused"
    bench.run("B", 10, first=10)
    assert trial_signed(bench.session, trial).status == "none"
    (item,) = sign_offs(bench.session, trial)
    assert item.lapses == ("lines logged since: 1 open, 1 good, 1 close",)


def test_who_has_decided_takes_that_back_before_deciding_anew(bench, signing):
    record = signing.sign(bench.engineer)
    with pytest.raises(ConflictError, match="Engineer has signed this verdict already"):
        signing.refuse(bench.engineer)
    signing.revoke(record, bench.engineer)
    refused = signing.refuse(bench.engineer)
    with pytest.raises(ConflictError, match="Engineer has refused this verdict already"):
        signing.sign(bench.engineer)
    signing.revoke(refused, bench.engineer)
    signing.sign(bench.engineer)
    assert signing.state.status == "incomplete"


def test_a_refusal_and_a_revocation_need_a_reason(bench, signing):
    with pytest.raises(InvalidValueError, match="reason must be written"):
        signing.refuse(bench.engineer, " ")
    record = signing.sign(bench.engineer)
    with pytest.raises(InvalidValueError, match="reason must be at most 2000 characters"):
        signing.revoke(record, bench.engineer, "x" * 2001)
    assert signing.session.scalars(select(Revocation)).all() == []


def test_a_revoked_signature_stays_on_record_and_counts_no_more(bench, signing):
    record = signing.sign(bench.engineer)
    signing.revoke(record, bench.engineer)
    (item,) = sign_offs(bench.session, signing.trial)
    assert (item.stands, item.lapsed) == (False, False)
    assert (item.revocation.person_name, item.revocation.reason) == (
        "Engineer", "I looked at another machine",
    )  # fmt: skip
    assert signing.state.status == "revoked"
    with pytest.raises(ConflictError, match="Engineer has revoked this before"):
        signing.revoke(record, bench.engineer)
    events = signing.session.scalars(select(AuditEvent).where(AuditEvent.action == "revoked"))
    assert [event.details["sign_off"] for event in events] == [record.id]


def test_who_may_revoke_what(bench, signing):
    admin, other = bench.person("Admin", Role.ADMIN), bench.person("Other", Role.ENGINEER)
    by_engineer, by_approver = signing.sign(bench.engineer), signing.sign(bench.approver)
    refusal = signing.refuse(other)
    may = {
        (person.name, record.person_name): may_revoke(person, record)
        for person in (bench.engineer, bench.approver, admin, bench.operator)
        for record in (by_engineer, by_approver, refusal)
    }
    assert {pair for pair, allowed in may.items() if allowed} == {
        ("Engineer", "Engineer"),
        ("Approver", "Engineer"), ("Approver", "Approver"),
        ("Admin", "Engineer"), ("Admin", "Approver"),
    }  # fmt: skip
    with pytest.raises(NotAllowedError, match="may not revoke what Approver has accepted"):
        signing.revoke(by_approver, bench.engineer)
    with pytest.raises(NotAllowedError, match="may not revoke what Other has refused"):
        signing.revoke(refusal, admin)
    with pytest.raises(NotAllowedError, match="may not sign off"):
        signing.revoke(by_engineer, bench.operator)
    signing.revoke(by_engineer, admin)


def test_a_lapse_names_the_lines_that_caused_it_with_who_and_when(bench, signing):
    signing.sign(bench.approver)
    bench.run("B", 3, [bench.drop, bench.drop, bench.drop, bench.drop], first=1400)
    bench.revise(bench.arm, "stiffer bracket")
    assert signing.state.status == "lapsed"
    changed, lines = signing.state.newest.causes
    assert (changed.words, lines.words) == (
        "changed since: stiffer bracket", "lines logged since: 4 failed, 1 open, 1 good, 1 close",
    )  # fmt: skip
    (line,) = changed.lines
    assert (line.kind, line.shift, line.person, line.at) == (
        "revision", None, "Engineer", bench.clock,
    )  # fmt: skip
    assert [line.kind for line in lines.lines] == ["open", "failed", "failed", "failed", "failed"]
    assert {(line.shift, line.person) for line in lines.lines} == {("B", "Engineer")}
    assert lines.lines[0].sequence == signing.state.newest.record.chain_length + 1
    assert lines.more == 2


def test_a_lapse_by_a_parked_line_names_who_tapped_it(bench, signing):
    signing.sign(bench.approver)
    bench.park(bench.tablet())
    (cause,) = signing.state.newest.causes
    assert [(line.kind, line.person, line.at) for line in cause.lines] == [
        ("parked", "Operator", bench.clock)
    ]
    assert bench.clock - signing.state.newest.record.signed_at == timedelta(minutes=1)


def test_nothing_is_left_where_a_signing_is_refused(bench, signing):
    signing.sign(bench.approver)
    with pytest.raises(ConflictError):
        signing.sign(bench.approver)
    assert bench.session.query(SignOff).count() == 1
