"""One ruling on several failures: looked at first, then written, then taken back."""

from __future__ import annotations

import re

import pytest
from sqlalchemy import select
from support.cells import ruling
from support.side_by_side import figures

from trialog.evidence import gather_evidence
from trialog.records.models import AuditEvent, Entry
from trialog.records.verify import verify
from trialog.records.words import EntryKind
from trialog.web.trials.reviewing import MOST_PICKED

CAUSE = {"cause": "raw part out of tolerance", "words": "lot 7714 was 0.3 mm over size"}


@pytest.fixture
def failed(on_trial):
    """Three failed cycles of one mode and one of another, in a shift of 100 cycles."""
    cell = on_trial.cell
    lines = on_trial.shift("A", good=96, failed=[cell.dropped] * 3 + [cell.missed])
    return [line for line in lines if line.kind is EntryKind.FAILED]


class Bulk:
    """The pages of several rulings at once, as an engineer goes through them."""

    def __init__(self, on_trial, visitor):
        self.on_trial, self.visitor = on_trial, visitor
        self.queue = f"{on_trial.url}/rulings"

    def look(self, lines=(), decision="non-relevant", where="", **fields):
        page = self.visitor.get(self.queue + where).text
        own = re.findall(r'name="client_id" value="([^"]+)"', page)
        keys = [f"{line.mode_ids[0]}/{line.client_id}" for line in lines]
        data = {"decision": decision, "pick": keys, "client_id": own[-1]} | fields
        return self.visitor.post(f"{self.queue}/several{where}", data, page=self.queue)

    def write(self, preview, **fields):
        """Send the form of a page that was looked at."""
        hidden = re.findall(r'name="(client_id|seen|decision)"[^>]* value="([^"]*)"', preview.text)
        data = dict(hidden) | {"pick": re.findall(r'name="pick" value="([^"]+)"', preview.text)}
        return self.visitor.post(f"{self.queue}/several/write", data | fields, page=self.queue)

    def counts(self):
        self.on_trial.session.rollback()
        evidence = gather_evidence(self.on_trial.session, self.on_trial.trial)
        return evidence.failures, evidence.no_tests, evidence.unruled

    def lines(self, kind):
        self.on_trial.session.rollback()
        return self.on_trial.session.query(Entry).filter_by(kind=kind).all()


@pytest.fixture
def bulk(on_trial, failed, engineer):
    return Bulk(on_trial, engineer)


def test_what_it_would_do_is_shown_and_nothing_is_written(bulk, failed):
    page = bulk.look(failed[:3])
    assert page.status_code == 200
    assert "dropped part (3)" in page.text.lower()
    told = figures(page.text)
    assert told["relevant failures"] == ["4", "1"]
    assert told["no-tests"] == ["0", "3"]
    assert told["counted cycles"] == ["100", "97"]
    assert told["verdict"] == ["NO-GO", "NO-GO"]
    bounds = [float(told["failure rate, at most"][column].split()[0]) for column in (0, 1)]
    assert bounds[0] > bounds[1]
    assert bulk.counts() == (4, 0, 4)
    assert bulk.lines(EntryKind.RULING) == []


def test_then_it_is_written_with_its_cause_and_words(bulk, failed):
    answer = bulk.write(bulk.look(failed[:3]), typed="3", **CAUSE)
    assert answer.status_code == 302
    assert bulk.counts() == (1, 3, 1)
    written = bulk.lines(EntryKind.RULING)
    assert {line.target for line in written} == {line.client_id for line in failed[:3]}
    assert {(line.cause.value, line.reason) for line in written} == {
        ("raw part out of tolerance", "lot 7714 was 0.3 mm over size")
    }
    assert {line.person_id for line in written} == {bulk.on_trial.people.engineer.id}
    page = bulk.visitor.get(bulk.queue).text
    assert "Relevant failures: 1 instead of 4" in page
    assert verify(bulk.on_trial.session) == []


def test_the_audit_says_that_several_were_ruled_on(bulk, failed):
    bulk.write(bulk.look(failed[:3]), typed="3", **CAUSE)
    bulk.on_trial.session.rollback()
    event = bulk.on_trial.session.scalars(
        select(AuditEvent).where(AuditEvent.action == "ruled on several")
    ).one()
    assert event.details == {"decision": "non-relevant", "lines": 3}


def test_pressing_twice_rules_once(bulk, failed):
    preview = bulk.look(failed[:2])
    answers = [bulk.write(preview, typed="2", **CAUSE).status_code for _ in range(2)]
    assert answers == [302, 302]
    assert len(bulk.lines(EntryKind.RULING)) == 2


@pytest.mark.database("sqlite")  # what a form refuses never comes to the database
@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"typed": "", **CAUSE}, "Must be 3, typed to show that it is meant"),
        ({"typed": "2", **CAUSE}, "Must be 3, typed to show that it is meant"),
        ({"typed": "three", **CAUSE}, "Must be a whole number"),
        ({"typed": "3", **CAUSE, "cause": ""}, "Must be given"),
        ({"typed": "3", **CAUSE, "cause": "cause not found"}, "Must lie outside the device"),
        ({"typed": "3", **CAUSE, "words": " "}, "Must be given"),
        ({"typed": "3", **CAUSE, "words": "x" * 2001}, "longer than 2000"),
    ],
)
def test_failures_leave_the_count_only_with_care(bulk, failed, fields, said):
    answer = bulk.write(bulk.look(failed[:3]), **fields)
    assert answer.status_code == 422
    assert said in answer.text
    assert "What it does to the verdict" in answer.text
    assert bulk.counts() == (4, 0, 4)


@pytest.mark.database("sqlite")  # what a form refuses never comes to the database
@pytest.mark.parametrize("fields", [{"decision": "maybe"}, {"pick": []}, {"pick": ["1/nowhere"]}])
def test_a_form_that_was_tampered_with_leads_back_to_the_queue(bulk, failed, fields):
    answer = bulk.write(bulk.look(failed[:3]), typed="3", **CAUSE | fields)
    assert answer.status_code == 422
    assert "3 failures" not in answer.text.split("</h1>")[0]
    assert "Rule on several at once" in answer.text
    assert bulk.counts() == (4, 0, 4)


def test_relevant_needs_no_number_and_no_words(bulk, failed):
    assert bulk.write(bulk.look(failed, decision="relevant")).status_code == 302
    assert bulk.counts() == (4, 0, 0)


def test_several_rulings_are_taken_back_and_those_before_hold_again(bulk, failed):
    by = {"person_id": bulk.on_trial.people.engineer.id}
    bulk.on_trial.write(ruling(failed[0].client_id, True, **by))
    bulk.write(bulk.look(failed[:3]), typed="3", **CAUSE)
    preview = bulk.look(failed, decision="take back")
    assert figures(preview.text)["relevant failures"] == ["1", "4"]
    assert "Take back 3 rulings?" in preview.text
    assert bulk.write(preview, words="the lot was in order").status_code == 302
    assert bulk.counts() == (4, 0, 3)
    undone = bulk.lines(EntryKind.UNDO)
    assert [line.reason for line in undone] == ["the lot was in order"] * 3


def test_a_ruling_on_two_modes_of_a_cycle_is_taken_back_once(on_trial, engineer):
    cell = on_trial.cell
    line = on_trial.shift("A", good=9, failed=[(cell.dropped, cell.missed)])[1]
    on_trial.write(ruling(line.client_id, False))
    bulk = Bulk(on_trial, engineer)
    preview = bulk.look(decision="take back", all="yes")
    assert "Take back 1 ruling?" in preview.text
    assert bulk.write(preview).status_code == 302
    assert bulk.counts() == (1, 0, 2)


def test_what_somebody_else_ruled_on_meanwhile_is_looked_at_again(bulk, failed):
    preview = bulk.look(failed[:3])
    bulk.on_trial.write(ruling(failed[0].client_id, True))
    answer = bulk.write(preview, typed="3", **CAUSE)
    assert answer.status_code == 422
    assert "Somebody has ruled on these failures since you looked at them" in answer.text
    assert bulk.counts() == (4, 0, 3)
    assert bulk.write(answer, typed="3", **CAUSE).status_code == 302
    assert bulk.counts() == (1, 3, 1)


def test_cycles_logged_meanwhile_do_not_stand_in_the_way(bulk, failed):
    preview = bulk.look(failed[:3])
    bulk.on_trial.shift("B", good=10)
    assert bulk.write(preview, typed="3", **CAUSE).status_code == 302


def test_all_that_fit_what_is_asked_for_are_picked_at_once(bulk, failed):
    mode = bulk.on_trial.cell.dropped.id
    preview = bulk.look(where=f"?mode={mode}", all="yes")
    assert re.findall(r'name="pick" value="([^"]+)"', preview.text) == [
        f"{mode}/{line.client_id}" for line in failed[:3]
    ]


def test_failures_of_several_modes_are_shown_as_such(bulk, failed):
    assert "one cause explains them all" in bulk.look(failed).text
    assert "one cause explains them all" not in bulk.look(failed[:3]).text


@pytest.mark.database("sqlite")  # what a form refuses never comes to the database
@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"pick": []}, "failures must be picked"),
        ({"pick": ["1/nowhere"]}, "must be in the evidence of this trial"),
        ({"pick": ["rubbish"]}, "must be in the evidence of this trial"),
        ({"pick": [f"1/{n}" for n in range(MOST_PICKED + 1)]}, "be at most 200 at once"),
        ({"decision": "maybe"}, "Must be picked"),
        ({"decision": "take back"}, "none of the failures picked has a ruling"),
    ],
)
def test_a_pick_that_cannot_be_ruled_on_is_refused(bulk, failed, fields, said):
    answer = bulk.look(failed[:1], **fields)
    assert answer.status_code == 422
    assert said.lower() in answer.text.lower()


def test_what_was_picked_stays_picked_where_it_is_refused(bulk, failed):
    answer = bulk.look(failed[:2], decision="take back")
    assert answer.text.count(" checked") == 2


@pytest.mark.database("sqlite")  # who may do what is no matter of the database
@pytest.mark.parametrize("role", ["operator", "approver"])
def test_others_can_neither_look_nor_write(on_trial, failed, visitor_as, role):
    visitor = visitor_as(role)
    for path in ("several", "several/write"):
        answer = visitor.client.post(
            f"{on_trial.url}/rulings/{path}", data={"csrf_token": visitor.token()}
        )
        assert answer.status_code == 403
