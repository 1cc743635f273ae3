"""Random people do random things to a record, and it stays true.

People of every role, and one who has left, write lines, correct, rule, revise, park, acknowledge,
sign, refuse and revoke; see `support.workplace` for what is held against each attempt. After each
step that changed something the record is held against an account of its own.
"""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import select
from support.workplace import (
    ENGINEERS,
    EVERYBODY,
    JUDGES,
    LOGS,
    OF_ENGINEERS,
    SIGNS,
    Signature,
    Workplace,
)

from trialog.evidence import (
    acknowledge,
    check_document,
    judge,
    plan_of,
    read_document,
    refuse,
    revoke,
    sign,
    sign_offs,
    signed_document,
    trial_signed,
)
from trialog.records.database import unit_of_work
from trialog.records.models import ParkedLine, SignOff
from trialog.records.parking import leave_out, park
from trialog.records.verify import verify
from trialog.records.words import (
    AcknowledgementKind,
    EntryKind,
    Reading,
    Role,
    RulingCause,
    SignDecision,
    Stage,
)


def mostly(*names):
    """Draw somebody, and those whose job it is more often than the others."""
    return st.sampled_from([*names, *EVERYBODY])


loggers = mostly("operator", "engineer")
engineers = mostly("engineer", "second engineer", "admin")
signers = mostly("engineer", "second engineer", "approver", "approver")
whose = st.integers(0, 30)
CORRECTIONS = ["rule", "rule", "read", "undo", "undo", "change"]
AFTERWARDS = ["park", "read", "undo", "change", "log"]


class RecordMachine(Workplace, RuleBasedStateMachine):
    """What people do. `fresh` makes databases."""

    fresh = None

    def __init__(self):
        RuleBasedStateMachine.__init__(self)
        Workplace.__init__(self, type(self).fresh())

    def teardown(self):
        for record in self.session.scalars(select(SignOff).order_by(SignOff.id.desc()).limit(1)):
            file = read_document(json.dumps(signed_document(record)).encode())
            assert check_document(self.session, file).reproduced
        self.leave()

    # The log. Rules are few and wide: of many, Hypothesis would leave most out of each course.

    @rule(
        who=loggers,
        cycles=st.sampled_from([4, 8, 8, 11]),
        failed=st.sampled_from([[], [], [{0}], [{1, 2}], [{0}, {0, 1}]]),
        missed=st.sampled_from([0, 0, 0, 0, 1, 3]),
        ruled=st.sampled_from([None, True, False, False]),
    )
    def run_a_shift(self, who, cycles, failed, missed, ruled=None):
        self.tap(who, "open", cycles)
        for modes in failed:
            self.fail(who, modes)
        self.tap(who, "good", cycles)
        self.close(who, missed)
        if ruled is not None and self.account.failed:
            self.rule_on_failures("engineer", cycles, relevant=ruled, everything=True)

    @rule(who=loggers, what=st.sampled_from(["open", "good", "fail", "close"]), cycles=whose)
    def tap(self, who, what, cycles):
        shift = self.account.open_shift
        if shift is None:
            counter = 1000 * (len(self.account.standing(EntryKind.SHIFT_OPENED)) + 1)
            self.line(
                who, EntryKind.SHIFT_OPENED, shift=f"shift {counter}", stage=Stage.BY_HAND,
                counter=counter,
            )  # fmt: skip
        elif what == "good":
            self.line(who, EntryKind.GOOD, shift=shift, cycles=cycles + 1)
        elif what == "fail":
            self.fail(who, {cycles % 3})
        elif what == "close":
            self.close(who, 0)

    def fail(self, who, modes):
        if shift := self.account.open_shift:
            ids = tuple(self.modes[number].id for number in modes)
            self.line(who, EntryKind.FAILED, shift=shift, cycles=1, mode_ids=ids)

    def close(self, who, missed):
        if shift := self.account.open_shift:
            (opening,) = self.account.standing(EntryKind.SHIFT_OPENED, shift=shift)
            counter = opening.counter + self.account.logged(shift) + missed
            self.line(who, EntryKind.SHIFT_CLOSED, shift=shift, counter=counter)

    @precondition(lambda self: self.account.lines)
    @rule(who=engineers, which=whose, yes=st.booleans(), what=st.sampled_from(CORRECTIONS))
    def correct(self, who, which, yes, what):
        if what == "rule" and self.account.failed:
            self.rule_on_failures(who, which, relevant=yes, everything=which % 3 > 0)
        elif what == "read":
            self.correct_a_reading(
                who, which, which % 3, Reading.CLOSING if yes else Reading.OPENING
            )
        elif what == "undo":
            self.take_a_line_back(who, which)
        else:
            self.change_a_device(who, which % 2, resets=yes)

    def correct_a_reading(self, who, which, less, reading):
        opened = self.account.standing(EntryKind.SHIFT_OPENED)
        if not opened:
            return
        opening = opened[which % len(opened)]
        counter = opening.counter - less
        if reading is Reading.CLOSING:
            counter += self.account.logged(opening.shift)
        self.line(
            who, EntryKind.READING, ENGINEERS, shift=opening.shift, reading=reading, counter=counter
        )

    def rule_on_failures(self, who, which, relevant, everything):
        failed = self.account.failed
        for cycle in failed if everything else [failed[which % len(failed)]]:
            self.line(
                who, EntryKind.RULING, ENGINEERS, target=cycle.client_id, relevant=relevant,
                failure_mode_id=None if which % 2 else min(cycle.modes),
                reason="seen on the camera", cause=None if relevant else RulingCause.HANDLING,
            )  # fmt: skip

    def take_a_line_back(self, who, which):
        target = self.account.lines[-1 - which % len(self.account.lines)]
        on_a_closed_shift = target.shift is not None and self.account.is_closed(target.shift)
        roles = ENGINEERS if target.kind in OF_ENGINEERS or on_a_closed_shift else LOGS
        self.line(who, EntryKind.UNDO, roles, target=target.client_id)

    def change_a_device(self, who, device, resets):
        self.line(
            who, EntryKind.REVISION, ENGINEERS, device_id=self.devices[device].id,
            text="stronger spring", resets_evidence=resets, reason="" if resets else "paint only",
        )  # fmt: skip

    # What stands beside the log.

    @rule(who=engineers, which=st.integers(0, 1), kind=st.sampled_from(AcknowledgementKind),
          what=st.sampled_from(["note", "note", "park", "leave out"]))  # fmt: skip
    def do_beside_the_log(self, who, which, kind, what):
        if what == "note":
            self.take_note(who, which, kind)
        elif what == "park":
            self.park_a_line()
        else:
            self.leave_a_parked_line_out(who)

    def park_a_line(self):
        """Let a tablet send what cannot be taken: it is nobody's, and kept all the same."""
        self.now += timedelta(minutes=1)
        self.number += 1
        line = {"client_id": f"parked-{self.number}", "kind": "good"}
        with unit_of_work(self.session):
            parked = park(
                self.session, self.cell, self.tablet, None, client_id=line["client_id"],
                line=line, why="it breaks a rule", now=self.now,
            )  # fmt: skip
        self.parked[parked.id] = len(self.account.lines)
        self.changed = True
        for trial in self.trials:
            self.take_ground_from(trial)

    def leave_a_parked_line_out(self, who):
        for number in list(self.parked)[:1]:

            def act(person, number=number):
                parked = self.session.get_one(ParkedLine, number)
                leave_out(self.session, parked, "a test", actor=person, now=self.now)
                return parked

            if self.attempt(who, ENGINEERS, act):
                del self.parked[number]

    def take_note(self, who, which, kind):
        trial = self.trials[which]

        def act(person):
            return acknowledge(self.session, trial, kind, "read", actor=person, now=self.now)

        if self.attempt(who, JUDGES, act) and kind is AcknowledgementKind.CAUTIONS:
            self.cautioned.add(trial.id)

    def do_what_a_go_needs(self):
        """Bring the record to a GO: there is always an honest way to one."""
        if self.account.open_shift:
            self.close("operator", 0)
        while self.parked:
            self.leave_a_parked_line_out("engineer")
        for which in range(len(self.trials)):
            self.take_note("engineer", which, AcknowledgementKind.CAUTIONS)
        if not self.all_go():
            for device in range(len(self.devices)):
                self.change_a_device("engineer", device, resets=True)
            self.run_a_shift("operator", 8, [], 0)
        assert self.all_go()

    def all_go(self):
        return all(judge(self.session, trial).verdict == "GO" for trial in self.trials)

    # Signing.

    @precondition(lambda self: not any(one.stands for one in self.signatures))
    @rule(which=st.integers(0, 1), pair=st.permutations(["engineer", "approver"]))
    def sign_off(self, which, pair):
        self.do_what_a_go_needs()
        for who in pair:
            self.sign_it(who, which)

    @precondition(lambda self: any(one.stands for one in self.signatures))
    @rule(who=engineers, which=whose, what=st.sampled_from(AFTERWARDS))
    def something_happens_after_a_signature(self, who, which, what):
        if what == "park":
            self.park_a_line()
            if which % 2:
                self.leave_a_parked_line_out("engineer")
        elif what == "read":
            self.correct_a_reading(who, which, 1, Reading.OPENING)
        elif what == "undo":
            self.take_a_line_back(who, which)
        elif what == "change":
            self.change_a_device(who, which % 2, resets=False)
        else:
            self.tap(who, "good", which)

    @rule(who=signers, which=st.integers(0, 1))
    def sign_it(self, who, which):
        def act(person):
            return sign(
                self.session, self.trials[which], person, statement="I have read it",
                cautions_acknowledged=True, now=self.now,
            )  # fmt: skip

        if record := self.attempt(who, SIGNS, act):
            self.signatures.append(Signature(record, who))

    @precondition(lambda self: len(self.signatures) < 6)
    @rule(who=signers, which=st.integers(0, 1))
    def refuse_it(self, who, which):
        def act(person):
            return refuse(self.session, self.trials[which], person, reason="no", now=self.now)

        if record := self.attempt(who, SIGNS, act):
            self.signatures.append(Signature(record, who))

    @precondition(lambda self: self.signatures)
    @rule(who=signers, which=whose)
    def revoke_one(self, who, which):
        signature = self.signatures[-1 - which % len(self.signatures)]
        roles = set()
        if signature.person == who:
            roles = JUDGES
        elif signature.decision is SignDecision.ACCEPTED:
            roles = {Role.APPROVER, Role.ADMIN}

        def act(person):
            record = self.session.get_one(SignOff, signature.id)
            return revoke(self.session, record, person, reason="a slip", now=self.now)

        if self.attempt(who, roles, act):
            assert not signature.revoked
            signature.revoked = True

    # What holds after every step that changed something.

    @invariant()
    def the_record_is_true(self):
        if not self.changed:
            return
        self.changed = False
        self.session.rollback()
        assert verify(self.session) == []
        for trial in self.trials:
            verdict = judge(self.session, trial)
            self.the_evidence_is_what_was_logged(trial, verdict)
            self.signatures_stand_on_what_they_were_made_on(trial, verdict)

    def the_evidence_is_what_was_logged(self, trial, verdict):
        evidence, tally = verdict.evidence, self.account.tally(trial.device_id)
        assert (evidence.cycles, evidence.failures, evidence.no_tests, evidence.unruled) == (
            tally.cycles, tally.failures, tally.no_tests, tally.unruled
        )  # fmt: skip
        assert bool(evidence.damage_failures) == tally.damaging
        if verdict.verdict == "GO":
            assert plan_of(trial).decide(tally.failures, tally.cycles) == "GO"
            assert tally.unruled == 0
            assert not tally.damaging
            assert trial.id in self.cautioned
            assert not any(taken >= tally.since for taken in self.parked.values())
            assert all(self.account.is_closed(shift) for shift in tally.shifts)
            unlogged = [self.account.unlogged(shift) for shift in tally.shifts]
            assert min(unlogged) >= 0
            assert sum(unlogged) + tally.failures <= plan_of(trial).max_failures

    def signatures_stand_on_what_they_were_made_on(self, trial, verdict):
        own = {one.id: one for one in self.signatures if one.trial_id == trial.id}
        found = {item.record.id: item for item in sign_offs(self.session, trial, verdict)}
        assert found.keys() == own.keys()
        for number, item in found.items():
            assert item.stands <= own[number].stands
            assert (item.revocation is not None) == own[number].revoked
        if trial_signed(self.session, trial, verdict).signed:
            standing = [one for one in own.values() if one.stands]
            assert all(one.decision is SignDecision.ACCEPTED for one in standing)
            assert {self.people[one.person].role for one in standing} >= SIGNS
            assert verdict.verdict == "GO"


@pytest.mark.no_cover
def test_the_record_stays_true_whatever_people_do(fresh_databases):
    """Some courses of some dozens of steps, always the same: their seed is fixed."""
    machine = type("FreshMachine", (RecordMachine,), {"fresh": staticmethod(fresh_databases)})
    few = settings(max_examples=6, stateful_step_count=14, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(machine, settings=few)
