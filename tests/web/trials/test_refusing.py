"""Refusing to sign, taking a decision back, and the signed document as a file."""

import json

import pytest

from trialog.evidence import CAUTIONS, check_document, read_document
from trialog.records.models import Revocation, SignOff, WrongPins

TICKED = {f"caution_{number}": "y" for number in range(len(CAUTIONS))}
SIGNED = {"statement": "I have watched it run.", "pin": "3333"} | TICKED
REASON = {"reason": "the <chute> is open", "pin": "3333"}


def stored(on_trial, table):
    on_trial.session.rollback()
    return on_trial.session.query(table).all()


def test_a_refusal_is_on_the_page_with_its_reason_whatever_the_verdict(on_trial, approver):
    on_trial.shift("A", good=5)
    page = approver.get(f"{on_trial.url}/refuse").text
    assert "KEEP RUNNING" in page
    assert "Must sign: engineer and approver." in page
    answer = approver.post(f"{on_trial.url}/refuse", REASON, follow_redirects=True)
    assert "On record: you have refused to sign." in answer.text
    said = "Anna Approver (approver) has refused to sign: the &lt;chute&gt; is open"
    assert said in answer.text
    assert said in approver.get("/").text
    (record,) = stored(on_trial, SignOff)
    assert (record.decision, record.statement) == ("refused", "the <chute> is open")


@pytest.mark.database("sqlite")  # what a form takes does not depend on the database
@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"pin": "9999"}, "This is not your PIN"),
        ({"reason": " "}, "Must be written."),
        ({"reason": "x" * 2001}, "at most 2000 characters"),
    ],
)
def test_nothing_is_refused_or_revoked_while_something_is_missing(on_trial, approver, change, said):
    on_trial.reach_go()
    answer = approver.post(f"{on_trial.url}/refuse", REASON | change)
    assert (answer.status_code, said in answer.text) == (422, True)
    assert stored(on_trial, SignOff) == []
    approver.post(f"{on_trial.url}/sign", SIGNED)
    answer = approver.post("/sign-offs/1/revoke", REASON | change)
    assert (answer.status_code, said in answer.text) == (422, True)
    assert stored(on_trial, Revocation) == []
    wrong = 2 if "pin" in change else 0
    held = stored(on_trial, WrongPins)
    assert sum(one.total for one in held) == wrong


def test_a_signature_is_taken_back_with_a_reason_and_stays_on_record(on_trial, approver):
    on_trial.reach_go()
    page = approver.post(f"{on_trial.url}/sign", SIGNED, follow_redirects=True).text
    assert "Revoke this signature" in page
    assert "I have watched it run." in approver.get("/sign-offs/1/revoke").text
    page = approver.post("/sign-offs/1/revoke", REASON, follow_redirects=True).text
    assert "Revoked. It stays on record" in page
    assert "revoked by Anna Approver" in page
    assert "I have watched it run." in page
    assert "Not signed: Anna Approver has revoked the signature of Anna Approver." in page
    assert "Revoke this signature" not in page
    page = approver.get("/sign-offs/1/revoke").text
    assert "Anna Approver has revoked it" in page
    assert "Your PIN" not in page
    data = REASON | {"csrf_token": approver.token()}
    again = approver.client.post("/sign-offs/1/revoke", data=data)
    assert "Anna Approver has revoked this before." in again.text
    assert len(stored(on_trial, Revocation)) == 1


@pytest.mark.database("sqlite")  # who may do what does not depend on the database
def test_who_may_not_take_a_signature_back_is_neither_offered_it_nor_heard(
    on_trial, approver, engineer, operator, admin
):
    on_trial.reach_go()
    approver.post(f"{on_trial.url}/sign", SIGNED)
    for visitor in (engineer, operator):
        assert "Revoke this signature" not in visitor.get(on_trial.url).text
        assert visitor.get("/sign-offs/1/revoke").status_code == 403
        data = REASON | {"csrf_token": visitor.token(), "pin": "2222"}
        assert visitor.client.post("/sign-offs/1/revoke", data=data).status_code == 403
    assert stored(on_trial, Revocation) == []
    admin.post("/sign-offs/1/revoke", REASON | {"pin": "4444"})
    assert [one.person_name for one in stored(on_trial, Revocation)] == ["Adam Admin"]


def test_the_signed_document_is_downloaded_and_holds(on_trial, approver, operator):
    on_trial.reach_go()
    approver.post(f"{on_trial.url}/sign", SIGNED)
    assert "/sign-offs/1/document.json" in operator.get(on_trial.url).text
    answer = operator.get("/sign-offs/1/document.json")
    assert answer.headers["Content-Disposition"] == 'attachment; filename="signed-1.json"'
    signature = json.loads(answer.data)["document"]["signature"]
    assert (signature["person"], signature["statement"]) == (
        "Anna Approver", "I have watched it run.",
    )  # fmt: skip
    on_trial.session.rollback()
    check = check_document(on_trial.session, read_document(answer.data))
    assert (check.holds, check.deviations) == (True, ())


@pytest.mark.database("sqlite")  # an address that leads nowhere does so on every database
def test_an_unknown_signature_is_not_found(approver):
    assert approver.get("/sign-offs/7/document.json").status_code == 404
    assert approver.get("/sign-offs/7/revoke").status_code == 404
