"""`verify --document`: a signed document checked against the records, later and offline."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import update
from support.cells import good, write

import trialog as package
from trialog.evidence import refuse, revoke, signed_document
from trialog.records.models import Entry
from trialog.records.queries import find_trial

PAGE = Path(package.__file__).parent / "docs" / "commands.md"


@pytest.fixture
def signed(session, shop, people, now, tmp_path):
    """Return a refusal of the arm's trial, with the file of its document."""
    trial = find_trial(session, "Arm")
    record = refuse(session, trial, people.engineer, reason="one dropped part", now=now)
    session.commit()
    return record, _file(tmp_path, signed_document(record))


def _file(folder, data):
    path = folder / f"signed-{data['sign_off']}.json"
    path.write_text(json.dumps(data, indent=2, ensure_ascii=False), encoding="utf-8")
    return path


def test_a_document_that_holds_is_said_to_line_by_line(trialog, signed):
    result = trialog("verify", "--document", signed[1])
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "Signed document 1, trial Arm",
        "refused by Emil Engineer (engineer), 2026-03-02 14:00 UTC",
        "  holds  the data of the file have the hash that was signed",
        "  holds  the records hold this signature with this document",
        "  holds  the logbook has the 8 lines that it was signed on",
        "  holds  replayed up to there, the logbook gives this document byte for byte",
        "The signature stands.",
    ]
    assert result.stderr == ""


def test_what_fails_is_named_with_the_place_and_both_values(trialog, session, signed, tmp_path):
    session.execute(update(Entry).where(Entry.cycles == 40).values(cycles=41))
    session.commit()
    data = signed_document(signed[0])
    data["document"] = data["document"] | {"stage": "unattended"}
    result = trialog("verify", "--document", _file(tmp_path, data))
    assert result.exit_code == 1
    assert result.stdout.count("FAILS") == 3
    assert "holds  the logbook has the 8 lines" in result.stdout
    assert "was changed after it was written" in result.stderr
    assert "stage: the document says 'unattended', the records say 'by hand'" in result.stderr
    assert "verdict.cycles: the document says" in result.stderr


def test_it_tells_what_has_become_of_the_signature(trialog, session, shop, people, signed):
    record, path = signed
    now = record.signed_at + timedelta(minutes=1)
    write(session, shop, good("Monday late", 5, person_id=people.operator.id), now=now)
    said = trialog("verify", "--document", path)
    assert said.exit_code == 0
    assert "The signature has lapsed since: lines logged since: 1 good." in said.stdout
    revoke(session, record, people.engineer, reason="it was mine", now=now)
    session.commit()
    said = trialog("verify", "--document", path)
    assert said.exit_code == 0
    assert "The signature was revoked by Emil Engineer: it was mine." in said.stdout


def test_the_json_has_the_documented_keys(trialog, signed, tmp_path):
    data = signed_document(signed[0])
    data["document"] = data["document"] | {"stage": "unattended", "versions": {"trialog": "0.0"}}
    found = json.loads(trialog("verify", "--document", _file(tmp_path, data), "--json").stdout)
    assert (found["holds"], found["state"], found["lines"]) == (False, None, 8)
    told = PAGE.read_text(encoding="utf-8").split("The JSON holds\n")[1].split("\n\n")[0]
    assert set(found) | set(found["deviations"][0]) == set(re.findall(r"`(\w+)`", told))
    words = trialog("verify", "--document", tmp_path / "signed-1.json").stdout
    assert "Note: version of trialog: 0.0 when it was signed" in words


@pytest.mark.database("sqlite")  # what a file must look like does not depend on the database
def test_a_file_that_is_none_ends_with_2(trialog, tmp_path):
    assert trialog("verify", "--document", tmp_path / "none.json").exit_code == 2
    path = tmp_path / "poem.json"
    path.write_text("{}")
    result = trialog("verify", "--document", path)
    assert result.exit_code == 2
    assert "document kind must be 'trialog signed document', got None" in result.stderr
