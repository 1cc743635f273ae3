"""The queue of failures to rule on: what comes first, what is looked for, what is seen beside."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from sqlalchemy import select
from support.cells import new_id, ruling

from trialog.records.entries import NewEntry
from trialog.records.models import Photo, Shift
from trialog.records.words import EntryKind
from trialog.web.trials import rulings

# What is asked of the database here is asked by the reports' own tests on both.
pytestmark = pytest.mark.database("sqlite")

PHOTO = "ab" * 32


@pytest.fixture
def failures(on_trial):
    """Failed cycles of two shifts, two modes and two people, by what is special about each."""
    cell, people = on_trial.cell, on_trial.people
    early = on_trial.shift("early", days=1, good=9, failed=[cell.dropped, cell.missed])
    late = on_trial.shift("late", good=9, failed=[cell.dropped])
    late_line = on_trial.late = late[1]
    on_trial.write(
        ruling(early[1].client_id, False, reason="seen on video", person_id=people.engineer.id)
    )
    return {"ruled out": early[1], "missed": early[2], "late": late_line}


def queue(visitor, on_trial, **asked):
    return visitor.get(f"{on_trial.url}/rulings", query_string=asked).text


def listed(page):
    """Return the client ids of the failures on a page, in order."""
    return re.findall(r'name="entry" value="([^"]+)"', page)


def named(failures, *names):
    return [failures[name].client_id for name in names]


def test_failures_without_a_ruling_come_first(on_trial, failures, engineer):
    page = queue(engineer, on_trial)
    assert listed(page) == named(failures, "missed", "late", "ruled out")
    assert "3 failures in the evidence" in page
    assert "2 waiting for a ruling" in page


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({"mode": "dropped"}, ("late", "ruled out")),
        ({"shift": "early"}, ("missed", "ruled out")),
        ({"ruling": "not ruled on"}, ("missed", "late")),
        ({"ruling": "non-relevant"}, ("ruled out",)),
        ({"ruling": "relevant"}, ()),
        ({"person": "Olga Operator"}, ("missed", "late", "ruled out")),
        ({"person": "nobody"}, ()),
        ({"mode": "dropped", "shift": "early"}, ("ruled out",)),
        ({"mode": "rubbish", "ruling": "rubbish", "page": "rubbish"},
         ("missed", "late", "ruled out")),
        ({"mode": "999999999999"}, ()),
    ],
)  # fmt: skip
def test_they_are_looked_for_by_mode_shift_person_and_ruling(
    on_trial, failures, engineer, asked, found
):
    ids = {"dropped": on_trial.cell.dropped.id}
    page = queue(engineer, on_trial)
    ids |= {label: number for number, label in re.findall(r'value="(\d+)">(early|late)<', page)}
    page = queue(engineer, on_trial, **{key: ids.get(word, word) for key, word in asked.items()})
    assert listed(page) == named(failures, *found)
    assert ("No failure of that kind" in page) == (not found)


def test_failures_that_nobody_put_their_name_to_are_found(on_trial, engineer):
    on_trial.write(
        NewEntry(client_id="o", kind=EntryKind.SHIFT_OPENED, shift="A", stage=on_trial.trial.stage),
        NewEntry(client_id="f", kind=EntryKind.FAILED, shift="A", cycles=1,
                 mode_ids=(on_trial.cell.dropped.id,)),
    )  # fmt: skip
    assert listed(queue(engineer, on_trial, person="nobody")) == ["f"]


def test_note_photo_cause_and_words_stand_beside_a_failure(on_trial, failures, engineer, session):
    by = {"occurred_at": on_trial.now - timedelta(minutes=30), "person_id": 1, "shift": "late"}
    photos = [
        NewEntry(client_id=new_id(), kind=EntryKind.PHOTO, target=on_trial.late.client_id,
                 photo=name, **by)
        for name in (PHOTO, "cd" * 32)
    ]  # fmt: skip
    on_trial.write(*photos)
    session.add(Photo(sha256=PHOTO, content=b"jpeg", stored_at=on_trial.now))
    session.commit()
    page = queue(engineer, on_trial)
    assert f'src="/photos/{PHOTO}"' in page
    assert page.count("photo not in these records") == 1
    assert "handling by the operator: seen on video" in page


def test_an_undone_photo_is_not_shown(on_trial, failures, engineer):
    photo = NewEntry(client_id="p", kind=EntryKind.PHOTO, target=on_trial.late.client_id,
                     photo=PHOTO, shift="late")  # fmt: skip
    undo = NewEntry(client_id="u", kind=EntryKind.UNDO, target="p", shift="late")
    on_trial.write(photo)
    assert "photo not in these records" in queue(engineer, on_trial)
    on_trial.write(undo)
    assert "photo not in these records" not in queue(engineer, on_trial)


def test_a_ruling_tells_what_it_changed_and_leads_to_the_next_failure(on_trial, failures, engineer):
    path = f"{on_trial.url}/rulings"
    data = {
        "ruling_id": new_id(), "entry": failures["missed"].client_id,
        "mode_id": on_trial.cell.missed.id, "decision": "non-relevant",
        "cause": "raw part out of tolerance", "words": "measured",
    }  # fmt: skip
    answer = engineer.post(f"{path}?person=Olga+Operator", data, page=path)
    assert answer.location == f"{path}?person=Olga+Operator&next=yes"
    page = engineer.get(answer.location).text
    assert "Ruled non-relevant. Relevant failures: 1 instead of 2; no-tests: 2 instead of 1" in page
    assert listed(page) == named(failures, "late", "ruled out", "missed")
    first = page[page.index('id="cause-1"') - 80 : page.index('id="cause-1"') + 80]
    assert "autofocus" in first
    assert page.count("autofocus") == 1


def test_a_ruling_that_changes_no_figure_says_only_that_it_stands(on_trial, failures, engineer):
    path = f"{on_trial.url}/rulings"
    data = {
        "ruling_id": new_id(), "entry": failures["ruled out"].client_id,
        "mode_id": on_trial.cell.dropped.id, "decision": "non-relevant",
        "cause": "raw part out of tolerance", "words": "measured again",
    }  # fmt: skip
    page = engineer.post(path, data, page=path, follow_redirects=True).text
    assert '<p class="flash good">Ruled non-relevant.</p>' in page


def test_a_ruling_on_the_page_of_its_shift_tells_what_it_changed_too(
    on_trial, session, failures, engineer
):
    late = session.scalars(select(Shift).where(Shift.label == "late")).one()
    data = {
        "ruling_id": new_id(), "entry": failures["late"].client_id,
        "mode_id": on_trial.cell.dropped.id, "decision": "non-relevant",
        "cause": "raw part out of tolerance", "words": "measured",
    }  # fmt: skip
    path = f"/shifts/{late.id}"
    page = engineer.post(f"{path}/rulings", data, page=path, follow_redirects=True).text
    assert "Ruled non-relevant. Relevant failures: 1 instead of 2; no-tests: 2 instead of 1" in page


def test_a_long_queue_comes_in_pages(on_trial, failures, engineer, monkeypatch):
    monkeypatch.setattr(rulings, "SHOWN", 2)
    first = queue(engineer, on_trial, person="Olga Operator")
    assert listed(first) == named(failures, "missed", "late")
    assert "page 1 of 2" in first
    onward = re.search(r'rel="next" href="([^"]+)"', first)[1].replace("&amp;", "&")
    second = engineer.get(onward).text
    assert listed(second) == named(failures, "ruled out")
    assert 'rel="prev"' in second
    for beyond in ("3", "99", "-1", "0"):
        assert listed(queue(engineer, on_trial, page=beyond))


def test_the_queue_says_how_the_trial_stands(on_trial, failures, engineer):
    page = queue(engineer, on_trial)
    assert "20 counted cycles, 2 failed ones among them, 1 no-test" in page


def test_a_shifts_page_leads_to_its_part_of_the_queue(on_trial, failures, engineer):
    shift = re.search(r'value="(\d+)">late<', queue(engineer, on_trial))[1]
    page = engineer.get(f"/shifts/{shift}").text
    onward = re.search(rf'href="({on_trial.url}/rulings\?shift={shift})"', page)[1]
    assert listed(engineer.get(onward).text) == named(failures, "late")
