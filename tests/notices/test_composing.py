"""What notices say: true of the records, complete, and under the keys that the help names."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from sqlalchemy import select
from support.cells import revision

import trialog
from trialog.evidence import CAUTIONS, acknowledge, judge, note_verdicts, sign
from trialog.notices import ask_for_test, deliver_due, tell_verdicts
from trialog.records.database import unit_of_work
from trialog.records.models import Trial
from trialog.records.words import AcknowledgementKind
from trialog.reports import sentences

from .conftest import by_webhook

PAGE = (Path(trialog.__file__).parent / "docs" / "notices.md").read_text(encoding="utf-8")
pytestmark = pytest.mark.database("sqlite")  # words do not depend on what keeps the records


def keys(value, path=""):
    """Yield the path of every key in some data."""
    for item in value if isinstance(value, list) else ():
        yield from keys(item, f"{path}[]")
    for key, item in value.items() if isinstance(value, dict) else ():
        here = f"{path}.{key}" if path else key
        yield here
        yield from keys(item, here)


@pytest.fixture
def told(shop, post, receiver, people, now):
    """Return the notices of a shift with a dropped part, of the NO-GO that it brings, of a test."""
    sender = post(by_webhook(receiver, PUBLIC_URL="https://shop.invalid"))
    shop.start_trial()
    shop.close_shift(counters=(100, 143))
    with unit_of_work(shop.session):
        tell_verdicts(shop.session, note_verdicts(shop.session, shop.cell.cell, now=now), now=now)
        ask_for_test(shop.session, actor=people.admin, now=now)
    deliver_due(sender)
    return [json.loads(request.body) for request in receiver.received]


def test_a_shift_is_told_as_its_report_says_it(told, shop):
    shift = told[0]
    trial = shop.session.scalars(select(Trial)).one()
    verdict = judge(shop.session, trial)
    assert shift["shift"] | {"id": 0, "sentence": ""} == {
        "id": 0, "sentence": "", "label": "Monday early", "stage": "by hand",
        "opened_at": "2026-03-02T13:59:56+00:00", "closed_at": "2026-03-02T13:59:59+00:00",
        "logged": 41, "good": 40, "failed": 1, "no_tests": 0, "unlogged": 2,
        "parked_lines": 0,
    }  # fmt: skip
    assert shift["trials"] == [{
        "id": trial.id, "name": "Arm, by hand", "subject": "arm", "verdict": "NO-GO",
        "cycles": 41, "failures": 1, "upper": verdict.upper, "limit": verdict.limit,
        "proven_stretch_seconds": verdict.proven_stretch_seconds, "clean_cycles_to_go": None,
        "sentence": sentences.proven(verdict), "lapsed": [],
    }]  # fmt: skip
    text = shift["text"]
    assert "was closed at 2026-03-02 13:59 (UTC)" in text
    assert "41 cycles logged: 40 good, 1 failed, 0 no-test. Seen: dropped part 1." in text
    assert "Every line that a tablet sent is in the logbook." in text
    assert f"- Arm, by hand: NO-GO. {sentences.proven(verdict)}" in text
    assert f"Read it all: {shift['link']}\n" in text
    assert all(caution in text for caution in CAUTIONS)


def test_a_verdict_is_told_with_what_it_was_and_what_it_rests_on(told):
    change = told[1]
    assert change["subject"] == "Lathe 4: Arm, by hand is NO-GO, was KEEP RUNNING"
    assert change["link"] == f"https://shop.invalid/trials/{change['trials'][0]['id']}"
    assert change["change"]["before"] == "KEEP RUNNING"
    assert "plan reached its GO line" in change["change"]["unmet"]
    assert "went from KEEP RUNNING to NO-GO at 2026-03-02 14:00 (UTC)" in change["text"]
    assert "after 41 counted cycles with 1 relevant failure." in change["text"]
    assert all(caution in change["text"] for caution in CAUTIONS)


def test_every_key_and_header_is_documented_and_every_documented_one_exists(told, receiver):
    documented = re.findall(r"^\| `([a-z_.\[\]]+)` \|", PAGE, flags=re.MULTILINE)
    assert len(documented) == len(set(documented))
    assert set().union(*(set(keys(one)) for one in told)) == set(documented)
    assert [one["kind"] for one in told] == ["shift closed", "verdict changed", "test"]
    sent = {name for name in receiver.received[0].headers if name.startswith("X-")}
    assert sent == set(re.findall(r"^\| `(X-[A-Za-z-]+)` \|", PAGE, flags=re.MULTILINE))


def test_what_has_changed_since_is_said(shop, post, receiver, now):
    sender = post(by_webhook(receiver))
    shop.start_trial()
    shop.close_shift()
    with unit_of_work(shop.session):
        tell_verdicts(shop.session, note_verdicts(shop.session, shop.cell.cell, now=now), now=now)
    shop.write(revision(shop.cell.arm), actor=shop.people.engineer)  # the evidence begins anew
    deliver_due(sender)
    change = json.loads(receiver.received[1].body)
    assert "Since then it has become KEEP RUNNING." in change["text"]
    assert change["change"]["verdict"] == "NO-GO"
    assert change["trials"][0]["verdict"] == "KEEP RUNNING"
    assert change["link"] is None


def test_a_shift_without_a_trial_says_so(shop, post, receiver):
    sender = post(by_webhook(receiver))
    shop.close_shift(failed=[])
    deliver_due(sender)
    data = json.loads(receiver.received[0].body)
    assert data["trials"] == []
    assert "No trial of this stage has been started." in data["text"]
    assert "Seen:" not in data["text"]


def test_a_sign_off_that_lapses_is_told_with_why(shop, post, receiver, people, now):
    sender, by = post(by_webhook(receiver)), {"now": now}
    trial = shop.start_trial()
    shop.close_shift(good=2500, failed=[], counters=(0, 2500))
    kind = AcknowledgementKind.CAUTIONS
    with unit_of_work(shop.session):
        acknowledge(shop.session, trial, kind, "read", actor=people.engineer, **by)
        tell_verdicts(shop.session, note_verdicts(shop.session, shop.cell.cell, **by), **by)
        for person in (people.engineer, people.approver):
            sign(shop.session, trial, person, statement="seen", cautions_acknowledged=True, **by)
    shop.write(revision(shop.cell.arm, "stronger spring"), actor=people.engineer)
    with unit_of_work(shop.session):
        tell_verdicts(shop.session, note_verdicts(shop.session, shop.cell.cell, **by), **by)
    deliver_due(sender)
    to_go, back = (json.loads(request.body) for request in receiver.received[1:])
    assert to_go["change"] | {"at": ""} == {
        "before": "KEEP RUNNING", "verdict": "GO", "at": "", "cycles": 2500, "failures": 0,
        "unmet": [],
    }  # fmt: skip
    assert "Lines that did not hold then: none." in to_go["text"]
    assert (back["change"]["before"], back["change"]["verdict"]) == ("GO", "KEEP RUNNING")
    (lapses,) = {tuple(one["lapsed"]) for one in back["trials"]}
    assert len(lapses) == 2
    assert all("has lapsed" in one and "stronger spring" in one for one in lapses)
    assert lapses[0] in back["text"]
