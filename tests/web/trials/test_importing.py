"""A file is looked at first, then imported as a whole or without its bad lines."""

import io

import pytest

from trialog.feeds import export_csv
from trialog.records.models import Entry, ImportDraft
from trialog.records.words import EntryKind

GOOD = "shift,cycle,time,outcome,modes,operator,note\r\n" + "".join(
    f"Mon,{cycle},2026-03-02T06:00:{cycle:02}Z,good,,,\r\n" for cycle in range(1, 11)
)
MIXED = GOOD + (
    "Mon,11,2026-03-02T06:00:11Z,failed,dropped part,,slipped\r\n"
    "Mon,12,2026-03-02T06:00:12Z,failed,no such mode,,<b>=cmd</b>\r\n"
    "Mon,13,2026-03-02T06:00:13,good,,,\r\n"
)


def upload(visitor, on_trial, content, name="log.csv", **options):
    data = {"file": (io.BytesIO(content.encode()), name)}
    return visitor.post(
        f"{on_trial.url}/import", data, content_type="multipart/form-data", **options
    )


def check(visitor, on_trial, **data):
    return visitor.post(f"{on_trial.url}/import/check", data, follow_redirects=True)


def logged(on_trial):
    on_trial.session.rollback()
    return on_trial.session.query(Entry).filter(Entry.kind.in_(["good", "failed"])).count()


def test_a_file_is_shown_before_anything_is_written(on_trial, engineer):
    page = upload(engineer, on_trial, GOOD, follow_redirects=True)
    assert page.status_code == 200
    assert "Every line of this file can be imported." in page.text
    assert "Mon <span" in page.text
    assert logged(on_trial) == 0


def test_a_good_file_is_imported_when_confirmed_and_let_go(on_trial, engineer):
    upload(engineer, on_trial, GOOD)
    page = check(engineer, on_trial, lines="all")
    assert "Adds 12 lines to the logbook" in page.text
    assert logged(on_trial) == 10
    assert on_trial.session.query(ImportDraft).count() == 0
    assert "10 cycles" in engineer.get(on_trial.url).text


def test_every_rejected_line_is_shown_with_its_number_and_reason(on_trial, engineer):
    page = upload(engineer, on_trial, MIXED, follow_redirects=True).text
    assert "2 lines of this file cannot be imported." in page
    assert '<td class="number">13</td>' in page
    assert "no such mode" in page
    assert '<td class="number">14</td>' in page
    assert "carry a time zone" in page
    assert "&lt;b&gt;=cmd&lt;/b&gt;" in page
    assert "Import the good lines only, leave out 2" in page


def test_all_or_nothing_unless_the_good_lines_are_asked_for(on_trial, engineer):
    upload(engineer, on_trial, MIXED)
    refused = check(engineer, on_trial, lines="all")
    assert refused.status_code == 422
    assert "Nothing was imported" in refused.text
    assert logged(on_trial) == 0
    assert "leaves out 2 lines of the file" in check(engineer, on_trial, lines="good").text
    assert logged(on_trial) == 11


def test_rejected_lines_can_be_downloaded_and_start_no_formula(on_trial, engineer):
    upload(engineer, on_trial, MIXED.replace("Mon,13", "=Mon,13"))
    answer = engineer.get(f"{on_trial.url}/import/rejected.csv")
    rows = answer.text.splitlines()
    assert rows[0] == "line,reason,text"
    assert [row.split(",")[0] for row in rows[1:]] == ["13", "14"]
    assert not any(cell.startswith("=") for row in rows for cell in row.split(","))


def test_importing_a_file_again_changes_nothing(on_trial, engineer):
    for _ in range(2):
        upload(engineer, on_trial, GOOD)
        check(engineer, on_trial, lines="all")
    assert logged(on_trial) == 10


@pytest.mark.parametrize(
    ("content", "said"),
    [("", "hold something"), ("a,b\r\n1,2\r\n", "must"), ("\x00\x01", "must")],
)
def test_a_file_that_cannot_be_read_at_all_says_why(on_trial, engineer, content, said):
    page = upload(engineer, on_trial, content, follow_redirects=True)
    assert page.status_code == 422
    assert said in page.text.lower()
    assert logged(on_trial) == 0


def test_no_file_is_asked_for_again(on_trial, engineer):
    answer = engineer.post(f"{on_trial.url}/import", {}, content_type="multipart/form-data")
    assert answer.status_code == 422
    assert "Pick a file." in answer.text


def test_a_person_has_one_file_at_a_time_and_nobody_elses(on_trial, engineer, admin):
    upload(engineer, on_trial, MIXED, "first.csv")
    upload(engineer, on_trial, GOOD, "second.csv")
    on_trial.session.rollback()
    assert [draft.filename for draft in on_trial.session.query(ImportDraft)] == ["second.csv"]
    assert "second.csv" in engineer.get(f"{on_trial.url}/import").text
    answer = admin.get(f"{on_trial.url}/import/check", follow_redirects=True)
    assert "There is no file to import any more" in answer.text
    assert "second.csv" not in answer.text


def test_a_hostile_file_name_is_text(on_trial, engineer):
    page = upload(engineer, on_trial, GOOD, "<img onerror=x>.csv", follow_redirects=True).text
    assert "<img" not in page


def test_a_file_can_be_let_go(on_trial, engineer):
    upload(engineer, on_trial, GOOD)
    page = f"{on_trial.url}/import/check"
    engineer.post(f"{on_trial.url}/import/drop", page=page)
    on_trial.session.rollback()
    assert on_trial.session.query(ImportDraft).count() == 0
    for answer in (engineer.get(page), engineer.get(f"{on_trial.url}/import/rejected.csv")):
        assert answer.location == f"{on_trial.url}/import"


@pytest.mark.parametrize("role", ["operator", "approver"])
def test_others_cannot_import(on_trial, visitor_as, role):
    visitor = visitor_as(role)
    assert visitor.get(f"{on_trial.url}/import").status_code == 403
    data = {"csrf_token": visitor.token(), "lines": "all"}
    assert visitor.client.post(f"{on_trial.url}/import/check", data=data).status_code == 403


def test_the_export_is_what_the_feeds_write_and_an_import_of_it_adds_nothing(on_trial, engineer):
    on_trial.shift("A", good=3, failed=[on_trial.cell.dropped], counters=(0, 4))
    answer = engineer.get(f"{on_trial.url}/export.csv")
    assert answer.mimetype == "text/csv"
    assert answer.text == "".join(export_csv(on_trial.session, on_trial.cell.cell))
    page = upload(engineer, on_trial, answer.text, follow_redirects=True).text
    assert "all 4 lines are in the logbook already" in page
    assert on_trial.session.query(Entry).filter_by(kind=EntryKind.GOOD).count() == 1
