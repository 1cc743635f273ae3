"""Acknowledging, signing a GO, and seeing a sign-off lapse."""

import re

import pytest
from sqlalchemy import select
from support.cells import revision

from trialog.evidence import CAUTIONS
from trialog.records.models import Acknowledgement, DueReport, SignOff, WrongPins
from trialog.web import noting

TICKED = {f"caution_{number}": "y" for number in range(len(CAUTIONS))}
SIGNED = {"statement": "I have watched it run.", "pin": "3333"} | TICKED


def sign_offs(on_trial):
    on_trial.session.rollback()
    return on_trial.session.query(SignOff).all()


def test_an_approver_signs_a_go_with_statement_cautions_and_pin(on_trial, approver):
    on_trial.reach_go()
    page = approver.get(f"{on_trial.url}/sign")
    assert "What your signature freezes" in page.text
    assert "<dt>fixed</dt><dd>Requirement and plan were fixed on" in page.text
    assert page.text.count('type="checkbox"') == len(CAUTIONS)
    answer = approver.post(f"{on_trial.url}/sign", SIGNED, follow_redirects=True)
    assert "Stands" in answer.text
    assert "Anna Approver (approver)" in answer.text
    head = answer.text.split("Failures over cycles")[0]
    assert "Signed by Anna Approver" in head
    assert "Still to sign: engineer." in head
    (signed,) = sign_offs(on_trial)
    assert (signed.person_name, signed.statement) == ("Anna Approver", "I have watched it run.")


def test_two_people_sign_a_go_off(on_trial, approver, engineer):
    on_trial.reach_go()
    approver.post(f"{on_trial.url}/sign", SIGNED)
    page = engineer.post(f"{on_trial.url}/sign", SIGNED | {"pin": "2222"}, follow_redirects=True)
    words = "Signed off: signed by Anna Approver (approver) and Emil Engineer (engineer)"
    assert words in page.text
    for other in ("/", f"/cells/{on_trial.cell.id}"):
        assert words in engineer.get(other).text
    for way in ("sign", "refuse"):
        page = engineer.get(f"{on_trial.url}/{way}").text
        assert 'To decide anew, <a href="/sign-offs/2/revoke">take that back</a> first.' in page
        assert "Your PIN" not in page
        assert f"{on_trial.url}/{way}" not in engineer.get(on_trial.url).text
    again = engineer.post(f"{on_trial.url}/sign", SIGNED | {"pin": "2222"})
    assert "Emil Engineer has signed this verdict already." in again.text
    assert len(sign_offs(on_trial)) == 2


def test_the_dossier_is_kept_at_once_and_stays_when_the_sign_off_lapses(on_trial, approver):
    on_trial.reach_go()
    approver.post(f"{on_trial.url}/sign", SIGNED)
    (path,) = re.findall(r'href="(/reports/\d+)"', approver.get(on_trial.url).text)
    on_trial.write(revision(on_trial.cell.arm))
    assert "has lapsed" in approver.get(on_trial.url).text
    kept = approver.get(path).text
    assert "signed by Anna Approver" in kept
    assert "Signed by Anna Approver" in kept
    assert "has lapsed" not in kept


def test_a_dossier_that_cannot_be_kept_yet_holds_up_no_signature(
    on_trial, approver, monkeypatch, caplog
):
    def broken(*_arguments):
        raise RuntimeError("no database today")

    monkeypatch.setattr(noting, "keep_dossiers", broken)
    on_trial.reach_go()
    assert approver.post(f"{on_trial.url}/sign", SIGNED).status_code == 302
    assert len(sign_offs(on_trial)) == 1
    assert "could not be kept yet" in caplog.text
    assert on_trial.session.query(DueReport).filter(DueReport.sign_off_id.is_not(None)).count() == 1


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"pin": "9999"}, "This is not your PIN"),
        ({"pin": ""}, "Type your PIN."),
        ({"statement": " "}, "Must be written."),
        ({"statement": "x" * 2001}, "at most 2000 characters"),
        ({"caution_2": ""}, "Must be ticked by whoever signs."),
    ],
)
def test_nothing_is_signed_while_something_is_missing(on_trial, approver, change, said):
    on_trial.reach_go()
    data = {name: value for name, value in (SIGNED | change).items() if value}
    answer = approver.post(f"{on_trial.url}/sign", data)
    assert answer.status_code == 422
    assert said in answer.text
    assert sign_offs(on_trial) == []


def test_a_wrong_pin_counts_towards_the_lock(on_trial, approver):
    on_trial.reach_go()
    approver.post(f"{on_trial.url}/sign", SIGNED | {"pin": "9999"})
    on_trial.session.rollback()
    held = on_trial.session.scalars(select(WrongPins)).one()
    assert (held.person_id, held.total) == (on_trial.people.approver.id, 1)


def test_only_a_go_can_be_signed(on_trial, approver):
    on_trial.shift("A", good=5)
    path = f"{on_trial.url}/sign"
    page = approver.get(path).text
    assert "Only a GO can be signed; the verdict is KEEP RUNNING" in page
    assert "Your PIN" not in page
    answer = approver.client.post(path, data=SIGNED | {"csrf_token": approver.token()})
    assert answer.status_code == 422
    assert sign_offs(on_trial) == []


@pytest.mark.database("sqlite")  # who may do what does not depend on the database
@pytest.mark.parametrize("role", ["operator", "admin"])
def test_others_can_neither_sign_nor_refuse(on_trial, visitor_as, role):
    on_trial.reach_go()
    visitor = visitor_as(role)
    for way in ("sign", "refuse"):
        assert visitor.get(f"{on_trial.url}/{way}").status_code == 403
        data = SIGNED | {"csrf_token": visitor.token(), "reason": "no", "pin": "4444"}
        assert visitor.client.post(f"{on_trial.url}/{way}", data=data).status_code == 403
    assert sign_offs(on_trial) == []


@pytest.mark.parametrize("later", ["entry", "revision"])
def test_a_later_entry_or_revision_shows_the_sign_off_as_lapsed(on_trial, approver, later):
    on_trial.reach_go()
    approver.post(f"{on_trial.url}/sign", SIGNED)
    assert "has lapsed" not in approver.get(on_trial.url).text
    if later == "entry":
        on_trial.shift("B", good=1)
        why = "lines logged since: 1 open, 1 good, 1 close"
    else:
        on_trial.write(revision(on_trial.cell.arm, "stronger <spring>"))
        why = "changed since: stronger &lt;spring&gt;"
    page = approver.get(on_trial.url).text
    assert "The sign-off by Anna Approver of" in page
    assert "Signed by" not in page
    assert f"has lapsed: {why}." in page
    assert "Lapsed" in page
    if later == "entry":
        assert re.search(r'<li><a href="/shifts/2">line 4, open, shift B: Olga Operator', page)
    assert "has lapsed" in approver.get(f"{on_trial.url}/sign").text


def test_cautions_are_acknowledged_in_writing(on_trial, engineer):
    path = f"{on_trial.url}/acknowledge"
    assert CAUTIONS[1] in engineer.get(path).text
    answer = engineer.post(
        path, {"kind": "cautions", "text": "guards are up"}, follow_redirects=True
    )
    assert "On record: cautions acknowledged." in answer.text
    assert "by Emil Engineer" in answer.text
    on_trial.session.rollback()
    noted = on_trial.session.query(Acknowledgement).one()
    assert (noted.kind, noted.text) == ("cautions", "guards are up")


def test_an_acknowledgement_without_words_is_refused(on_trial, engineer):
    answer = engineer.post(f"{on_trial.url}/acknowledge", {"kind": "trend or burst", "text": " "})
    assert answer.status_code == 422
    assert on_trial.session.query(Acknowledgement).count() == 0


def test_an_operator_cannot_acknowledge(on_trial, operator):
    assert operator.get(f"{on_trial.url}/acknowledge").status_code == 403
