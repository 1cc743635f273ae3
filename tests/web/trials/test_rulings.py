"""Rulings on the failures of a trial's evidence."""

import re

import pytest

from trialog.evidence import gather_evidence
from trialog.records.models import Entry
from trialog.records.words import EntryKind

WORDS = {
    "decision": "non-relevant", "cause": "handling by the operator", "words": "seen on video",
}  # fmt: skip


@pytest.fixture
def failed(on_trial):
    """One failed cycle with two modes, of two devices."""
    cell = on_trial.cell
    return on_trial.shift("A", good=50, failed=[(cell.dropped, cell.missed)])[1]


def ruling(page, **changes):
    """Return what the first form of a page would send."""
    hidden = dict(re.findall(r'name="(ruling_id|entry|mode_id)" value="([^"]+)"', page)[:3])
    return hidden | WORDS | changes


def counts(on_trial):
    on_trial.session.rollback()
    evidence = gather_evidence(on_trial.session, on_trial.trial)
    return evidence.failures, evidence.no_tests, evidence.unruled


def test_unruled_failures_are_listed_a_form_for_each_mode(on_trial, failed, engineer):
    page = engineer.get(f"{on_trial.url}/rulings").text
    assert "2 failures in the evidence" in page
    assert "2 waiting for a ruling" in page
    assert page.count("Rule non-relevant") == 2


def test_a_ruling_is_a_line_of_the_logbook_with_its_reason_and_words(on_trial, failed, engineer):
    path = f"{on_trial.url}/rulings"
    data = ruling(engineer.get(path).text, words="pallet 3 was upside down")
    answer = engineer.post(path, data, follow_redirects=True)
    assert "handling by the operator: pallet 3 was upside down" in answer.text
    assert counts(on_trial) == (1, 0, 1)
    line = on_trial.session.query(Entry).filter_by(kind=EntryKind.RULING).one()
    assert line.person_id == on_trial.people.engineer.id
    assert not line.relevant


def test_pressing_twice_rules_once(on_trial, failed, engineer):
    path = f"{on_trial.url}/rulings"
    data = ruling(engineer.get(path).text)
    assert [engineer.post(path, data).status_code for _ in range(2)] == [302, 302]
    assert counts(on_trial) == (1, 0, 1)
    assert on_trial.session.query(Entry).filter_by(kind=EntryKind.RULING).count() == 1


def test_a_cycle_ruled_non_relevant_in_every_mode_is_a_no_test(on_trial, failed, engineer):
    path = f"{on_trial.url}/rulings"
    for _ in range(2):
        engineer.post(path, ruling(engineer.get(path).text))
    assert counts(on_trial) == (0, 1, 0)


def test_non_relevant_needs_a_cause_and_words_and_relevant_does_not(on_trial, failed, engineer):
    path = f"{on_trial.url}/rulings"
    for missing, said in (("words", "reason must be given"), ("cause", "cause must be given")):
        refused = engineer.post(path, ruling(engineer.get(path).text, **{missing: ""}))
        assert refused.status_code == 422
        assert said in refused.text
    assert counts(on_trial) == (1, 0, 2)
    data = ruling(engineer.get(path).text, decision="relevant", cause="", words="")
    assert engineer.post(path, data).status_code == 302
    assert counts(on_trial) == (1, 0, 1)


@pytest.mark.parametrize("cause", ["the device itself", "cause not found"])
def test_what_lies_with_the_device_or_with_nobody_stays_relevant(on_trial, failed, engineer, cause):
    path = f"{on_trial.url}/rulings"
    refused = engineer.post(path, ruling(engineer.get(path).text, cause=cause))
    assert refused.status_code == 422
    assert "cause must lie outside the device" in refused.text
    assert counts(on_trial) == (1, 0, 2)


def test_a_ruling_can_be_taken_back(on_trial, failed, engineer):
    path = f"{on_trial.url}/rulings"
    engineer.post(path, ruling(engineer.get(path).text))
    page = engineer.get(path).text
    back = re.search(
        r'name="ruling_id" value="([^"]+)">\s*<input[^>]*name="target" value="([^"]+)"', page
    )
    answer = engineer.post(f"{path}/undo", {"ruling_id": back[1], "target": back[2]}, page=path)
    assert answer.status_code == 302
    assert counts(on_trial) == (1, 0, 2)


@pytest.mark.parametrize("target", ["", "nowhere"])
def test_taking_back_what_is_not_there_is_refused(on_trial, failed, engineer, target):
    path = f"{on_trial.url}/rulings"
    answer = engineer.post(f"{path}/undo", {"ruling_id": "x1", "target": target}, page=path)
    assert answer.status_code == 422


def test_a_decision_of_neither_word_is_refused(on_trial, failed, engineer):
    path = f"{on_trial.url}/rulings"
    answer = engineer.post(path, ruling(engineer.get(path).text, decision="maybe"))
    assert answer.status_code == 422
    assert counts(on_trial) == (1, 0, 2)


@pytest.mark.parametrize("role", ["operator", "approver"])
def test_others_read_the_rulings_and_cannot_rule(on_trial, failed, visitor_as, role):
    visitor, path = visitor_as(role), f"{on_trial.url}/rulings"
    page = visitor.get(path)
    assert "waiting for a ruling" in page.text
    assert "Rule relevant" not in page.text
    for url in (path, f"{path}/undo"):
        assert visitor.client.post(url, data={"csrf_token": visitor.token()}).status_code == 403


def test_without_failures_there_is_nothing_to_rule_on(on_trial, engineer):
    assert "There is nothing to rule on" in engineer.get(f"{on_trial.url}/rulings").text
