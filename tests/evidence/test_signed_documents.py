"""A signed document as a file, and whether the records still reproduce it byte for byte."""

import json

import pytest
from sqlalchemy import delete, update

from trialog.errors import InvalidValueError
from trialog.evidence import (
    acknowledge,
    check_document,
    read_document,
    refuse,
    replay,
    sign,
    signed_document,
)
from trialog.evidence import signed_documents as documents
from trialog.evidence.fixing import change_trial
from trialog.records.audit import record_event
from trialog.records.chain import document_hash
from trialog.records.models import Cell, DueReport, Entry, SignOff, Trial
from trialog.records.parking import leave_out
from trialog.records.setup import change_cell, change_device, change_mode
from trialog.records.words import AcknowledgementKind, Condition, EntryKind, PlanKind, Stage


@pytest.fixture
def trial(bench):
    """A fixed-size trial of the whole cell at GO, with something of everything behind it."""
    session = bench.session
    trial = bench.trial(kind=PlanKind.FIXED_SIZE, min_shifts=2, design_rate=0.0015)
    bench.run("before", 40, [bench.drop])
    bench.revise(bench.arm, "new bracket")
    wrong = bench.revise(bench.jet, "wider nozzle, entered by mistake")
    bench.undo(wrong)
    bench.open("A", counter=41)
    bench.write(EntryKind.CONDITION, condition=Condition.COLD_START)
    bench.good(3000)
    failed = bench.fail(bench.drop, bench.slow)
    mistake = bench.fail(bench.slow)
    bench.undo(mistake)
    outside = bench.fail(bench.slow)
    bench.close(counter=3043)
    bench.rule(failed, relevant=True)
    bench.rule(outside, relevant=False)
    tablet = bench.tablet()
    left_out = bench.park(tablet, "left out before")
    leave_out(session, left_out, "tapped twice", actor=bench.engineer, now=bench.clock)
    bench.open("robot", stage=Stage.ROBOT_ATTENDED, counter=3043)
    bench.good(5, tablet_id=tablet.id, tablet_number=1, tablet_time=bench.clock, seen=0)
    bench.close(counter=3048)
    bench.run("B", 2500, first=3048)
    for kind in AcknowledgementKind:
        acknowledge(session, trial, kind, "read", actor=bench.engineer, now=bench.clock)
    return trial


def signed(bench, trial):
    record = sign(
        bench.session, trial, bench.approver, statement="seen “all” of it",
        cautions_acknowledged=True, now=bench.clock,
    )  # fmt: skip
    bench.session.commit()
    return record


def as_file(record, **changed):
    """Write a sign-off as a file, as the page does, and read it."""
    data = signed_document(record) | changed
    return read_document(json.dumps(data, ensure_ascii=False, indent=2).encode())


def places(check):
    return [item.place for item in check.deviations]


def test_the_records_reproduce_a_document_byte_for_byte(bench, trial):
    check = check_document(bench.session, as_file(signed(bench, trial)))
    assert check.deviations == ()
    assert (check.faults, check.notes) == ((), ())
    assert (check.hash_holds, check.signature_held, check.range_held) == (True, True, True)
    assert check.holds
    assert check.record.statement == "seen “all” of it"


def test_they_do_so_whatever_came_after_the_signing(bench, trial):
    waiting = bench.park(bench.tablet("green tablet"), "still waiting")
    record = refuse(bench.session, trial, bench.approver, reason="wait", now=bench.clock)
    assert record.document["verdict"]["parked_lines"] == 1
    bench.session.commit()
    file, by = as_file(record), {"actor": bench.engineer, "now": bench.clock}
    bench.clock = bench.clock.replace(hour=23)
    leave_out(bench.session, waiting, "nobody knows it", actor=bench.engineer, now=bench.clock)
    bench.park(bench.tablet("red tablet"), "came later")
    bench.run("C", 10, [bench.drop], first=9000)
    bench.rule(bench.run("D", 10, [bench.slow], first=9500)[0], relevant=False)
    bench.revise(bench.arm, "stiffer bracket")
    acknowledge(bench.session, trial, AcknowledgementKind.CAUTIONS, "again", **by)
    for name in ("Cell <two>", "Cell three"):
        change_cell(
            bench.session, bench.cell, name=name, machine="another", part="p", operation="op",
            planned_cycle_seconds=61.0, counter_modulus=None, **by,
        )  # fmt: skip
    change_device(bench.session, bench.arm, "gripper", **by)
    change_mode(bench.session, bench.drop, "let go", bench.drop.effect, **by)
    bench.session.commit()
    check = check_document(bench.session, file)
    assert check.deviations == ()
    assert check.holds


def test_a_changed_file_is_found_by_its_hash_and_by_the_replay(bench, trial):
    record = signed(bench, trial)
    better = record.document | {"verdict": record.document["verdict"] | {"failures": 0}}
    check = check_document(bench.session, as_file(record, document=better))
    assert (check.hash_holds, check.signature_held, check.range_held) == (False, False, True)
    assert [(d.place, d.document, d.replay) for d in check.deviations] == [
        ("verdict.failures", 0, 1)
    ]
    assert not check.holds
    # With the hash made to fit, it is still not what was signed.
    check = check_document(
        bench.session, as_file(record, document=better, document_hash=document_hash(better))
    )
    assert (check.hash_holds, check.signature_held, check.reproduced) == (True, False, False)


@pytest.mark.parametrize("key", ["statement", "person", "role", "decision", "at"])
def test_a_changed_signature_is_not_the_one_on_record(bench, trial, key):
    record = signed(bench, trial)
    forged = {"role": "engineer", "decision": "refused", "at": "2027-01-01T00:00:00+00:00"}
    mine = record.document["signature"] | {key: forged.get(key, "somebody else's")}
    document = record.document | {"signature": mine}
    file = as_file(record, document=document, document_hash=document_hash(document))
    check = check_document(bench.session, file)
    assert (check.hash_holds, check.signature_held, check.holds) == (True, False, False)
    record.statement = "what I never said"
    assert not check_document(bench.session, as_file(record)).signature_held


def test_a_line_changed_behind_the_applications_back_is_named_with_what_it_changes(bench, trial):
    file = as_file(signed(bench, trial))
    bench.session.execute(update(Entry).where(Entry.cycles == 2500).values(cycles=2600))
    check = check_document(bench.session, file)
    assert (check.hash_holds, check.signature_held, check.range_held) == (True, True, True)
    assert len(check.faults) == 1
    assert "was changed after it was written" in check.faults[0]
    assert {"verdict.cycles", "shifts[1].cycles"} <= set(places(check))
    assert not check.reproduced


def test_a_removed_last_line_breaks_the_range(bench, trial):
    file = as_file(signed(bench, trial))
    last = bench.cell.chain_length
    bench.session.execute(delete(Entry).where(Entry.sequence == last))
    check = check_document(bench.session, file)
    assert not check.range_held
    assert {"logbook.hash", "logbook.lines"} <= set(places(check))


def test_a_logbook_that_nothing_follows_from_is_said_to_be_one(bench, trial):
    """Without the line that opened a shift, its other lines hang in the air."""
    file = as_file(signed(bench, trial))
    opened = Entry.kind == EntryKind.SHIFT_OPENED
    bench.session.execute(delete(Entry).where(opened, Entry.opened_as == "B"))
    check = check_document(bench.session, file)
    assert check.range_held
    assert "the logbook cannot be replayed: IntegrityError" in check.faults[0]
    assert not check.holds


def test_a_document_of_other_records_is_not_known_here(bench, trial):
    record = signed(bench, trial)
    file = as_file(record, sign_off=999, document=record.document | {"trial_id": 999})
    check = check_document(bench.session, file)
    assert (check.signature_held, check.record) == (False, None)
    assert check.faults == ("the records hold no trial 'trial' on cell 1",)


def test_a_document_whose_signature_was_removed_is_reproduced_and_not_held(
    bench, trial, monkeypatch
):
    monkeypatch.setattr(replay, "CHUNK", 3)  # rows are copied in portions
    record = signed(bench, trial)
    check = check_document(bench.session, as_file(record, sign_off=999))
    assert (check.reproduced, check.deviations) == (True, ())
    assert (check.signature_held, check.holds) == (False, False)


def test_a_document_without_a_line_in_its_logbook_is_reproduced_too(bench):
    trial = bench.trial()
    record = refuse(bench.session, trial, bench.engineer, reason="no data", now=bench.clock)
    assert record.document["logbook"] == {"first": 0, "lines": 0, "hash": ""}
    assert check_document(bench.session, as_file(record)).holds


def older(record):
    """Turn a sign-off into one of the version before documents held their signature."""
    document = dict(record.document)
    for key in ("signature", "trial_id", "begins_at", "acknowledgements", "rules"):
        del document[key]
    document["logbook"] = {key: document["logbook"][key] for key in ("lines", "hash")}
    document["versions"] = {"trialog": "0.0.9", "schema": "0003"}
    record.document, record.document_hash = document, document_hash(document)
    return record


def test_a_document_of_an_older_version_holds_and_says_so(bench, trial):
    check = check_document(bench.session, as_file(older(signed(bench, trial))))
    assert check.holds
    assert all(item.excused for item in check.deviations)
    assert places(check) == ["acknowledgements", "begins_at", "logbook.first", "rules", "trial_id"]
    assert check.notes[-1] == "version of trialog: 0.0.9 when it was signed, 0.1.0 here"
    assert "version of numpy: not recorded when it was signed" in check.notes[0]


def test_an_older_document_is_excused_last_digits_and_nothing_more(bench, trial):
    record = older(signed(bench, trial))
    for factor, holds in ((1 + 1e-12, True), (1.001, False)):
        upper = record.document["verdict"]["upper"] * factor
        document = record.document | {"verdict": record.document["verdict"] | {"upper": upper}}
        record.document, record.document_hash = document, document_hash(document)
        check = check_document(bench.session, as_file(record))
        assert "verdict.upper" in places(check)
        assert check.holds is holds
    file = as_file(record)
    bench.session.execute(delete(DueReport))  # it points at the signature
    bench.session.delete(record)
    bench.session.flush()
    check = check_document(bench.session, file)
    assert "must say when it was signed" in check.faults[0]


def test_an_older_document_may_say_a_line_in_other_words_but_not_whether_it_was_met(bench, trial):
    record = older(signed(bench, trial))
    for change, holds in (({"detail": "as it was put then"}, True), ({"met": False}, False)):
        verdict = record.document["verdict"]
        lines = [verdict["reasons"][0] | change, *verdict["reasons"][1:]]
        document = record.document | {"verdict": verdict | {"reasons": lines}}
        record.document, record.document_hash = document, document_hash(document)
        check = check_document(bench.session, as_file(record))
        assert f"verdict.reasons[0].{next(iter(change))}" in places(check)
        assert check.holds is holds


def test_rules_that_the_audit_shows_changed_after_the_start_stand_in_the_document(bench, trial):
    by = {"actor": bench.engineer, "now": bench.clock}
    record_event(
        bench.session, "changed", "trial", trial.id, before={"share": 0.5}, after={"share": 1.0},
        **by,
    )  # fmt: skip
    record = signed(bench, trial)
    rules = record.document["rules"]
    assert (rules["beforehand"], rules["changed_after"]) == (
        False,
        [{"what": "trial", "at": rules["changed_after"][0]["at"], "person": "Engineer",
          "columns": ["share"]}],
    )  # fmt: skip
    file = as_file(record)
    assert check_document(bench.session, file).holds
    assert check_document(bench.session, as_file(record, sign_off=999)).reproduced


def test_rules_that_are_changed_after_a_refusal_are_replayed_as_they_were_then(bench):
    trial = bench.trial(begins_at=bench.clock)
    record = refuse(bench.session, trial, bench.engineer, reason="too lax", now=bench.clock)
    bench.session.commit()
    file, by = as_file(record), {"actor": bench.engineer, "now": bench.clock}
    assert file.document["begins_at"] is not None
    change_trial(
        bench.session, trial, name="renamed", stage=Stage.UNATTENDED, device=bench.arm,
        plan_kind=PlanKind.FIXED_SIZE, share=0.5, good_pass=None, **by,
    )  # fmt: skip
    bench.session.commit()
    check = check_document(bench.session, file)
    assert (check.holds, check.deviations) == (True, ())


def test_the_same_version_is_excused_nothing(bench, trial):
    record = signed(bench, trial)
    upper = record.document["verdict"]["upper"] * (1 + 1e-12)
    document = record.document | {"verdict": record.document["verdict"] | {"upper": upper}}
    record.document, record.document_hash = document, document_hash(document)
    check = check_document(bench.session, as_file(record))
    assert (check.signature_held, check.reproduced) == (True, False)


def test_checking_writes_nothing(bench, trial):
    file = as_file(signed(bench, trial))
    before = bench.session.get(Cell, trial.cell_id).chain_length
    check_document(bench.session, file)
    assert not bench.session.new
    assert not bench.session.dirty
    counts = [bench.session.query(table).count() for table in (Entry, SignOff, Trial)]
    assert counts == [before, 1, 1]


GOOD = {
    "kind": documents.KIND, "sign_off": 1, "document_hash": "", "document": {
        "cell_id": 1, "verdict": {"trial": "t"}, "logbook": {"lines": 1, "hash": ""},
        "versions": {},
    },
}  # fmt: skip


def inside(**changed):
    return GOOD | {"document": GOOD["document"] | changed}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\xff", "document must be JSON in UTF-8"),
        (b"[" * 100_000, "document must be JSON in UTF-8"),
        (b"[]", "document kind must be 'trialog signed document', got 'list'"),
        ({"kind": "poem"}, "document kind must be 'trialog signed document', got 'poem'"),
        (GOOD | {"document": 3}, "document must be an object, got 3"),
        (GOOD | {"sign_off": True}, "sign_off must be a whole number from 0 to 2147483647"),
        (GOOD | {"sign_off": 2**40}, "sign_off must be a whole number from 0 to 2147483647"),
        (GOOD | {"document_hash": 1}, "document_hash must be a text, got 1"),
        (inside(cell_id="1"), "document cell_id must be a whole number"),
        (inside(logbook=1), "document logbook.lines must be a whole number"),
        (inside(verdict={}), "document verdict.trial must be a text"),
        (inside(versions=None), "document versions must be an object"),
        (inside(acknowledgements=1), "document acknowledgements must be a list"),
        (inside(acknowledgements=[1]), "document acknowledgements id must be a whole number"),
    ],
)
def test_a_file_that_is_no_signed_document_is_refused_by_its_field(content, said):
    written = content if isinstance(content, bytes) else json.dumps(content).encode()
    with pytest.raises(InvalidValueError) as caught:
        read_document(written)
    assert said in str(caught.value)


def test_a_file_too_large_is_not_read(monkeypatch):
    assert read_document(json.dumps(GOOD).encode()).sign_off == 1
    monkeypatch.setattr(documents, "LARGEST_FILE", 1024 * 1024)
    with pytest.raises(InvalidValueError, match="document must be at most 1 MiB, got '1048577 by"):
        read_document(b" " * (1024 * 1024 + 1))
