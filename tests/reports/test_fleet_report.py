"""The overview of all cells: who needs somebody comes first, and nothing is remembered wrongly."""

from __future__ import annotations

from contextlib import contextmanager

import pytest
from sqlalchemy import event
from support.demo import DEMO_NOW, DEMO_ZONE
from support.hall import Hall

from trialog.evidence import note_verdicts
from trialog.languages import speaking
from trialog.records import setup
from trialog.records.audit import record_event
from trialog.records.database import unit_of_work
from trialog.records.queries import find_cell
from trialog.records.words import Stage
from trialog.reports.cell_report import build_cell_report
from trialog.reports.fleet_report import build_fleet_report
from trialog.reports.kinds import document
from trialog.reports.remembered import RememberedStandings
from trialog.reports.standings import cell_standing

# What is said does not depend on what keeps the records.
pytestmark = pytest.mark.database("sqlite")


@pytest.fixture
def hall(session, people, now):
    return Hall(session, people, now)


@pytest.fixture
def fleet(session, now, zone):
    """Return a maker of the overview."""

    def build(find="", **options):
        session.expire_all()
        return build_fleet_report(session, now=now, zone=zone, find=find, **options)

    return build


def names(report):
    return [one.cell.name.removeprefix("Cell ") for one in report.cells]


def test_without_a_cell_it_says_so(fleet):
    found = fleet()
    assert (found.sentence, found.of, found.cells) == ("No cell is set up yet.", 0, ())


def test_what_needs_somebody_most_comes_first_and_is_counted(hall, fleet, zone):
    hall.one_of_each()
    at_present = RememberedStandings().at_present(hall.session)
    found = fleet(standing=at_present)
    assert names(found) == [
        "lapsed", "refused", "no_go", "parked", "to_sign", "running", "untried", "ready",
    ]  # fmt: skip
    assert found.sentence == (
        "8 cells: 1 may be left alone. By what is most pressing: 1 with a lapsed sign-off, 1 that "
        "somebody refused to sign, 1 NO-GO, 1 with lines not taken, 1 to be signed, 1 to keep "
        "running, 1 without a trial and 1 ready."
    )
    assert (found.of, found.alone) == (8, 1)
    made = document(found)
    assert [table.name for table in made.tables] == ["cells", "trials"]
    cells, trials = (table.in_words(zone) for table in made.tables)
    assert [row[0] for row in cells] == [one.cell.name for one in found.cells]
    assert len(trials) == 13
    for one in found.cells:
        assert one.cell.name in made.html
        assert one.proven_words in made.html
    only_this(lambda find: fleet(find, standing=at_present), names(found))


def only_this(fleet, every):
    """Every word that is looked for must be found, wherever it stands."""
    for find, expected in (
        ("TO_SIGN", ["to_sign"]),
        ("no-go jet", ["no_go"]),
        ("no-go brush", []),
        ("bearing lapsed", ["lapsed"]),
        ("to be signed", ["refused", "to_sign"]),
        ("  ", every),
    ):
        assert names(fleet(find)) == expected, find
    assert fleet("no-go brush").sentence == "No cell of 8 matches “no-go brush”."
    assert fleet("lapsed").sentence.startswith("1 cell: none may be left alone yet.")


def test_rules_that_were_changed_late_need_somebody(hall, fleet, session, people, now):
    _, trial = hall.running("Cell 1")
    with unit_of_work(session):
        record_event(
            session, "changed", "requirement", trial.requirement_id, actor=people.admin, now=now,
            after={"chance": 0.5},
        )  # fmt: skip
    [cell] = fleet().cells
    assert cell.attention[0].words == "rules changed after the first counted cycle: tray"


def test_how_much_is_proven_is_a_part_of_what_is_required(hall, fleet):
    for make in (hall.ready, hall.untried, hall.running):
        make(f"Cell {make.__name__}")
    part = {one.cell.name: one.part_proven for one in fleet().cells}
    assert part["Cell ready"] == 1.0
    assert part["Cell untried"] == 0.0
    assert 0 < part["Cell running"] < 1


def test_the_demo_stands_in_the_overview_as_on_its_own_page(demo_session):
    at = {"now": DEMO_NOW, "zone": DEMO_ZONE}
    [one] = build_fleet_report(demo_session, **at).cells
    own = build_cell_report(demo_session, find_cell(demo_session, "Cell 5"), **at)
    assert (one.sentence, one.stages, one.attention) == (own.sentence, own.stages, own.attention)


# What is remembered.


@pytest.fixture
def judged(monkeypatch):
    """Count how often a cell is judged anew."""
    count = []
    judge = cell_standing

    def counted(session, cell, zone):
        count.append(cell.name)
        return judge(session, cell, zone)

    monkeypatch.setattr("trialog.reports.remembered.cell_standing", counted)
    return count


def test_a_cell_is_judged_anew_only_when_something_changed(hall, fleet, session, judged):
    hall.running("Cell 1")
    other, _ = hall.running("Cell 2")
    memory = RememberedStandings()
    for _ in range(3):
        fleet(standing=memory.at_present(session))
    assert judged == ["Cell 1", "Cell 2"]
    hall.shift(other, "B", good=3, stage=Stage.BY_HAND)
    note_verdicts(session, other.cell, now=hall.now)
    session.commit()
    fleet(standing=memory.at_present(session))
    assert judged == ["Cell 1", "Cell 2", "Cell 2"]
    with speaking("es"):
        fleet(standing=memory.at_present(session))
    assert len(judged) == 5


def test_what_is_remembered_is_what_would_be_judged(hall, fleet, session):
    memory = RememberedStandings()
    said = set()
    for what in hall.changes():
        fresh = fleet()
        assert fleet(standing=memory.at_present(session)).cells == fresh.cells, what
        assert fresh.cells not in said, f"{what} changed nothing"
        said.add(fresh.cells)


# Speed, in what can be counted.


@contextmanager
def statements(engine):
    count = []
    listener = lambda *args: count.append(args[2])  # noqa: E731
    event.listen(engine, "before_cursor_execute", listener)
    yield count
    event.remove(engine, "before_cursor_execute", listener)


def test_two_hundred_cells_that_stand_as_before_take_no_more_statements_than_one(
    hall, fleet, session, engine
):
    memory = RememberedStandings()
    counts = []
    for number in (1, 200):
        for place in range(number):
            setup.add_cell(
                session, name=f"Cell {number} {place}", machine="M", part="P", operation="O",
                planned_cycle_seconds=45.0, counter_modulus=None, actor=None, now=hall.now,
            )  # fmt: skip
        session.commit()
        fleet(standing=memory.at_present(session))
        with statements(engine) as made:
            found = fleet(standing=memory.at_present(session))
        counts.append(len(made))
    assert len(found.cells) == 201
    assert counts[0] == counts[1] <= 3
