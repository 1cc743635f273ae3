"""The logbook on its way out, and back in again without a loss."""

from __future__ import annotations

import csv
import io
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from support import cells as lines

from trialog.evidence import define_requirement, judge, verdict_as_dict
from trialog.feeds import exporting
from trialog.feeds.columns import CYCLE_LOG, TEXT_COLUMNS
from trialog.feeds.exporting import _csv
from trialog.feeds.tables import read_table
from trialog.records.database import unit_of_work
from trialog.records.entries import NewEntry
from trialog.records.formulas import guard, unguard
from trialog.records.models import Shift, Tablet
from trialog.records.rollups import stored_rows
from trialog.records.setup import NewRequirement
from trialog.records.trials import NewTrial, add_trial
from trialog.records.verify import verify
from trialog.records.words import Condition, CounterEvent, EntryKind, PlanKind, Reading, Stage

FORMULA_SIGNS = "=+-@\t\r＝＋－＠"

texts = st.text(
    st.characters(codec="utf-8", exclude_characters="\x00")
    | st.sampled_from("'=+-@\t\r\n\",; 🤖＝"),
    max_size=30,
)


@given(texts)
def test_a_guarded_text_never_starts_a_formula_and_comes_back_as_it_was(text):
    cell = guard(text)
    assert not cell.lstrip().startswith(tuple(FORMULA_SIGNS))
    assert not cell.startswith(("\t", "\r", "\n"))
    assert unguard(cell) == text


@pytest.mark.parametrize("text", ["'til noon", "it's", "a=b", "", "x-1"])
def test_harmless_text_is_written_as_it_is_and_read_as_it_was_written(text):
    assert guard(text) in (text, f"'{text}")
    assert unguard(text) == text


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=cmd|' /C calc'!A0", "'=cmd|' /C calc'!A0"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\t=1", "'\t=1"),
        ("\r", "'\r"),
        (" =1", "' =1"),
        ("＝1", "'＝1"),
        ("'quoted'", "''quoted'"),
    ],
)
def test_text_that_could_start_a_formula_gets_an_apostrophe(text, cell):
    assert guard(text) == cell
    assert unguard(cell) == text


@given(st.lists(st.lists(texts, min_size=2, max_size=4), min_size=1, max_size=4))
def test_any_text_survives_the_file(rows):
    width = max(map(len, rows))
    header = [f"column {place}" for place in range(width)]
    content = _csv([header, *[[guard(cell) for cell in ("x", *row)][:width] for row in rows]])
    read = [[unguard(cell) for cell in row.cells] for row in read_table(content.encode()).rows()]
    assert read == [["x", *row][:width] for row in rows]


NASTY = [
    "=cmd|' /C calc'!A0", "+1", "-1", "@a", "\tx", "\r", "\n=1", "'", "''", "a,b;c\td", '"', '""x"',
    "line\r\nbreak", "🤖", "＝1", " ", " =1 ", "NA", "001", "x" * 2000,
]  # fmt: skip


def full_logbook(bench, moment):
    """Write a logbook with a line of every kind, and what makes each hard to carry."""
    now, cell = bench.now, bench.made
    by = bench.person.id

    def at(minutes):
        return {"occurred_at": moment + timedelta(minutes=minutes, microseconds=minutes)}

    bench.write(lines.opening("A", counter=9_990, stage=Stage.ROBOT_ATTENDED, **at(0)))
    bench.write(lines.condition("A", Condition.COLD_START, **at(1)))
    bench.write(lines.good("A", 12, client_id="-12", person_id=by, **at(2)))
    bench.write(lines.failed("A", cell.dropped, cell.chips, client_id="f1", text="=1+1", **at(3)))
    bench.write(lines.failed("A", cell.slow, client_id="f2", person_id=by, **at(4)))
    bench.write(lines.good("A", 1, cycle_number=20, client_id="twenty", **at(5)))
    bench.write(lines.undo("twenty", **at(6)))
    bench.write(lines.good("A", 3, **at(7)))
    bench.write(lines.stop("A", 0, **at(8)), lines.stop("A", None, **at(8)))
    for text in NASTY:
        kind = lines.note("A", text) if text.strip() else lines.good("A", text=text)
        bench.write(kind)
    bench.write(lines.revision(cell.arm, "softer jaws", client_id="r1", **at(9)))
    bench.write(
        lines.closing(
            "A",
            5,
            counter_event=CounterEvent.ROLLED_OVER,
            mismatch_accepted=True,
            reason="two part runs",
            **at(20),
        )
    )
    bench.write(lines.reading("A", Reading.CLOSING, 40, **at(21)))
    bench.write(lines.reading("A", Reading.OPENING, 9_989, client_id="o", **at(21)))
    bench.write(lines.undo("o"))
    bench.write(lines.ruling("f1", False, cell.chips), lines.ruling("f2", True))
    bench.write(lines.ruling("f2", False, client_id="again"), lines.undo("again"))
    bench.write(lines.ruling("f1", False, cell.dropped, cause=None, cause_unwritten=True))
    bench.write(lines.undo("r1"))
    bench.write(lines.revision(cell.jet, "label", resets=False, photo="ab" * 32, **at(30)))
    bench.write(
        lines.opening("B", **at(40)),
        lines.failed("B", cell.missed, order_known=False),
        lines.good("B", 30, order_known=False),
        lines.closing("B", client_id="shut"),
    )
    bench.write(lines.undo("shut"), lines.good("B", 2), lines.closing("B"))
    from_tablets(bench, at)
    bench.write(lines.opening('C 🤖 "x" \'y', occurred_at=now))


def from_tablets(bench, at):
    """Write what only tablets send: by the counter, checks, photos, lines after the closing."""
    cell = bench.made
    blue, green = bench.tablet("=blue tablet"), bench.tablet("green")

    def tap(kind, tablet, number, minutes, **fields):
        moment = at(minutes)["occurred_at"]
        return NewEntry(
            client_id=f"{tablet.name[-5:].strip()}-{number}", kind=kind, person_id=bench.person.id,
            tablet_id=tablet.id, tablet_number=number, occurred_at=moment,
            tablet_time=moment + timedelta(hours=2), **{"shift": "T"} | fields,
        )  # fmt: skip

    check = tap(EntryKind.CHECK, green, 7, 57, cycles=1, cycle_number=900,
                mode_ids=(cell.chips.id,))  # fmt: skip
    miss = {"cycles": 1, "mode_ids": (cell.missed.id,)}
    bench.write(
        tap(EntryKind.SHIFT_OPENED, blue, 1, 50, stage=Stage.BY_HAND, counter=100),
        tap(EntryKind.GOOD, blue, 2, 51, cycles=4),
        tap(EntryKind.FAILED, blue, 3, 52, order_known=False, **miss),
        tap(EntryKind.GOOD, blue, 4, 53, counter=112),
        tap(EntryKind.GOOD, blue, 5, 54, counter=112),
        tap(EntryKind.CHECK, green, 6, 55, cycles=12),
        check,
        tap(EntryKind.PHOTO, blue, 2**53 - 1, 58, target="ablet-3", photo="ab" * 32),
    )
    known = bench.intake.cell.chain_length
    bench.write(
        tap(EntryKind.NOTE, blue, 8, 58, text="'quoted"),
        lines.closing("T", 112, client_id="shut-T", **at(60)),
    )
    bench.write(
        tap(EntryKind.GOOD, green, 8, 61, cycles=3, seen=known),
        tap(EntryKind.FAILED, green, 9, 62, seen=known, **miss),
        tap(EntryKind.STOP, green, 10, 63, seen=known, clear_seconds=31),
        tap(EntryKind.NOTE, green, 11, 64, seen=known, text="was out of reach"),
        tap(EntryKind.CONDITION, green, 12, 65, seen=known, condition=Condition.TOOL_CHANGE),
        tap(EntryKind.CHECK, green, 13, 66, seen=known, cycles=2),
        tap(EntryKind.UNDO, green, 14, 67, seen=known, target="green-8"),
        tap(EntryKind.UNDO, green, 15, 67, target="ablet-9007199254740991"),
    )


class Bench:
    def __init__(self, intake, made, person):
        self.intake, self.made, self.person = intake, made, person
        self.now = intake.now

    def tablet(self, name):
        with unit_of_work(self.intake.session):
            tablet = Tablet(name=name, key_hash=name, enrolled_at=self.now)
            self.intake.session.add(tablet)
        return tablet

    def write(self, *entries):
        lines.write(self.intake.session, self.made, *entries, now=self.now)


@pytest.fixture
def bench(intake, cell, people):
    bench = Bench(intake, cell, people.operator)
    full_logbook(bench, bench.now - timedelta(hours=6))
    return bench


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text, newline="")))


def derived(intake):
    """Return the rollups and facts of each shift, without the row numbers of its lines."""
    found = {}
    for shift in intake.session.scalars(select(Shift)):
        facts = (
            shift.opened_at, shift.opening_counter, shift.closed_at, shift.closing_counter,
            shift.counter_event, shift.stage,
        )  # fmt: skip
        tables = {
            table.__tablename__: sorted(
                repr({key: value for key, value in row.items() if key != "entry_id"})
                for row in rows
            )
            for table, rows in stored_rows(intake.session, shift.id).items()
        }
        found[shift.label] = (facts, tables)
    return found


def verdict(intake):
    """Return the verdict of a trial on an intake's cell.

    It goes straight into the records: nobody may plan a trial on cycles that are there.
    """
    with intake.session.begin_nested():
        requirement = define_requirement(
            intake.session, intake.cell,
            NewRequirement(
                name="r", stretch_hours=1, chance=0.9, confidence=0.9, design_rate=0.0001
            ),
            actor=None, now=intake.now,
        )  # fmt: skip
        new = NewTrial(
            name="t", stage=Stage.ROBOT_ATTENDED, share=1.0, plan_kind=PlanKind.ZERO_FAILURE,
            plan_cycles=1749, plan_allowed=0, good_pass=None, device=None,
            begins_at=intake.now - timedelta(days=1),
        )  # fmt: skip
        trial = add_trial(intake.session, requirement, new, actor=None, now=intake.now)
        return verdict_as_dict(judge(intake.session, trial))


def test_an_export_holds_every_line_in_order_with_its_id(bench):
    rows = rows_of(bench.intake.exports())
    entries = bench.intake.entries()
    assert [unguard(row["id"]) for row in rows] == [entry.client_id for entry in entries]
    assert [row["outcome"] for row in rows] == bench.intake.kinds()
    assert [unguard(row["note"]) for row in rows] == [entry.text for entry in entries]
    assert tuple(rows[0]) == CYCLE_LOG


def test_no_exported_cell_starts_a_formula(bench):
    for row in rows_of(bench.intake.exports()):
        for column, cell in row.items():
            assert not cell.lstrip().startswith(tuple(FORMULA_SIGNS)), column


def test_number_and_time_columns_are_plain(bench):
    for row in rows_of(bench.intake.exports()):
        for column in set(CYCLE_LOG) - TEXT_COLUMNS:
            assert not row[column].startswith("'")
    assert {row["cycles"] for row in rows_of(bench.intake.exports())} >= {"12", "30", ""}


def test_importing_an_export_where_it_comes_from_adds_nothing(bench):
    before = len(bench.intake.entries())
    result = bench.intake.imports(bench.intake.exports())
    assert (result.added, result.repeated, result.rejected) == (0, before, ())


def test_an_export_imported_elsewhere_gives_the_same_logbook_byte_for_byte(bench, fresh):
    exported = bench.intake.exports()
    result = fresh.imports(exported)
    assert result.rejected == ()
    assert fresh.exports() == exported
    assert derived(fresh) == derived(bench.intake)
    assert verdict(fresh) == verdict(bench.intake)
    fresh.session.commit()  # what is not committed is not in the audit's chain yet
    assert verify(fresh.session) == []


def test_an_export_in_many_pieces_is_the_same(bench, monkeypatch):
    whole = bench.intake.exports()
    monkeypatch.setattr(exporting, "CHUNK", 3)
    assert bench.intake.exports() == whole


def test_an_empty_logbook_exports_its_header_alone(intake):
    assert intake.exports() == ",".join(CYCLE_LOG) + "\r\n"


def test_a_tally_comes_back_out_as_a_cycle_log(intake, fresh):
    header = "shift,opened,closed,cycles,failed_cycles,counter_open,counter_close,note"
    intake.imports(
        f"{header},dropped part,chips left\n"
        "A,2026-03-02T06:00Z,2026-03-02T12:00Z,400,2,1,399,=x,2,1\n".replace("399", "401")
    )
    fresh.imports(intake.exports())
    assert fresh.exports() == intake.exports()
    assert derived(fresh) == derived(intake)


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(notes=st.lists(texts.filter(str.strip), min_size=1, max_size=6))
def test_any_notes_make_the_round_trip_through_the_database(intake, fresh, notes):
    for place in (intake, fresh):
        place.start_anew()
    lines.write(intake.session, intake.cell, lines.opening("A"), now=intake.now)
    lines.write(
        intake.session, intake.cell, *[lines.note("A", text) for text in notes], now=intake.now
    )
    exported = intake.exports()
    assert fresh.imports(exported).rejected == ()
    assert [entry.text for entry in fresh.entries("note")] == notes
    assert fresh.exports() == exported
