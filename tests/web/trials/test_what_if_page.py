"""The page that answers what would be if, and writes nothing."""

from __future__ import annotations

import pytest
from support.cells import ruling
from support.side_by_side import figures

from trialog.records.models import Entry
from trialog.records.words import EntryKind

# What is asked of the database here is asked by tests/evidence/test_what_if.py on both.
pytestmark = pytest.mark.database("sqlite")

CLEAN_CYCLES = 875
"""What the trial's zero-failure plan asks for."""


@pytest.fixture
def failed(on_trial):
    """One failed cycle in a shift of 50."""
    return on_trial.shift("A", good=49, failed=[on_trial.cell.dropped])[1]


def ask(visitor, on_trial, **question):
    path = f"{on_trial.url}/what-if"
    return visitor.post(path, question, page=path)


def test_the_form_shows_how_the_trial_stands(on_trial, failed, engineer):
    page = engineer.get(f"{on_trial.url}/what-if").text
    assert "50 counted cycles" in page
    assert "no line is written" in page
    assert "The answer" not in page


def test_clean_cycles_are_added_beside_how_it_stands(on_trial, engineer):
    on_trial.shift("A", good=75)
    answer = ask(engineer, on_trial, clean_cycles=CLEAN_CYCLES - 75)
    told = figures(answer.text)
    assert told["counted cycles"] == ["75", str(CLEAN_CYCLES)]
    assert told["clean cycles to go"] == [str(CLEAN_CYCLES - 75), "0"]
    assert "the verdict stays KEEP RUNNING" in answer.text


def test_a_failure_is_added_by_its_mode(on_trial, engineer):
    on_trial.shift("A", good=75)
    answer = ask(engineer, on_trial, **{f"mode-{on_trial.cell.chips.id}": "2"})
    assert figures(answer.text)["relevant failures"] == ["0", "2"]
    assert figures(answer.text)["verdict"] == ["KEEP RUNNING", "NO-GO"]


def test_a_failure_is_ruled_out(on_trial, failed, engineer):
    key = f"ruling-{on_trial.cell.dropped.id}/{failed.client_id}"
    answer = ask(engineer, on_trial, **{key: "non-relevant"})
    told = figures(answer.text)
    assert (told["relevant failures"], told["no-tests"]) == (["1", "0"], ["0", "1"])
    assert told["verdict"] == ["NO-GO", "KEEP RUNNING"]
    assert "<option selected>non-relevant" in answer.text


def test_what_was_asked_stays_in_the_form(on_trial, failed, engineer):
    mode = f"mode-{on_trial.cell.dropped.id}"
    answer = ask(engineer, on_trial, clean_cycles=12, **{mode: "3"})
    assert f'name="{mode}" value="3"' in answer.text
    assert 'value="12"' in answer.text


def test_nothing_is_written(on_trial, failed, engineer):
    on_trial.session.rollback()
    before = on_trial.session.query(Entry).count()
    key = f"ruling-{on_trial.cell.dropped.id}/{failed.client_id}"
    ask(engineer, on_trial, clean_cycles=500, **{key: "non-relevant"})
    on_trial.session.rollback()
    assert on_trial.session.query(Entry).count() == before


def test_without_a_question_nothing_changes(on_trial, failed, engineer):
    assert "Nothing of this would change" in ask(engineer, on_trial).text


@pytest.mark.parametrize("role", ["operator", "approver", "admin"])
def test_everybody_may_ask(on_trial, failed, visitor_as, role):
    answer = ask(visitor_as(role), on_trial, clean_cycles=5)
    assert figures(answer.text)["counted cycles"] == ["50", "55"]


@pytest.mark.parametrize(
    ("question", "said"),
    [
        ({"clean_cycles": "many"}, "Must be a whole number such as 12"),
        ({"clean_cycles": "1000001"}, "Must be between 0 and 1,000,000, got 1000001"),
        ({"mode": "-1"}, "failures of &#39;dropped part&#39; must be a whole number"),
        ({"mode": "201"}, "failures must be at most 200"),
        ({"ruling": "perhaps"}, "ruling must be relevant or non-relevant"),
        ({"key": "ruling-x/y"}, "ruling must be relevant or non-relevant"),
        ({"key": "ruling-1/nowhere"}, "target must be a line of the cell"),
    ],
)
def test_a_question_that_cannot_be_asked_says_why(on_trial, failed, engineer, question, said):
    names = {
        "mode": f"mode-{on_trial.cell.dropped.id}",
        "ruling": f"ruling-{on_trial.cell.dropped.id}/{failed.client_id}",
    }
    sent = {names.get(name, name): value for name, value in question.items()}
    if "key" in sent:
        sent = {sent.pop("key"): "relevant"}
    answer = ask(engineer, on_trial, **sent)
    assert answer.status_code == 422
    assert said.lower() in answer.text.lower()


def test_the_trials_page_leads_to_it(on_trial, engineer):
    assert f'href="{on_trial.url}/what-if"' in engineer.get(on_trial.url).text


def test_rulings_in_force_are_listed_newest_first_and_unruled_ones_before(on_trial, engineer):
    cell = on_trial.cell
    lines = on_trial.shift("A", good=9, failed=[cell.dropped] * 3)
    failures = [line.client_id for line in lines if line.kind is EntryKind.FAILED]
    on_trial.write(*(ruling(target, True) for target in failures[:2]))
    page = engineer.get(f"{on_trial.url}/what-if").text
    places = [page.index(failures[number]) for number in (2, 1, 0)]
    assert places == sorted(places)
