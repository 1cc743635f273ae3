"""`trialog audit`: who did what when, from the command line."""

from __future__ import annotations

import json

import pytest
from support.cells import log_shift, make_cell

from trialog.records.database import unit_of_work
from trialog.records.models import AuditChain


@pytest.fixture
def told(session, people, now):
    """Return records in which an admin set up a cell and an operator logged a shift."""
    with unit_of_work(session):
        cell = make_cell(session, now, actor=people.admin)
    log_shift(session, cell, "A", good=3, actor=people.operator, now=now)
    session.rollback()
    return session


def test_the_newest_event_stands_last_with_the_end_of_the_chain(trialog, told):
    *events, found, end = trialog("audit").stdout.splitlines()
    assert events[-1].startswith(
        "10  2026-03-02 14:00  Olga Operator wrote in the logbook of 'Lathe 4' (lines: 3"
    )
    assert events[1] == "2  2026-03-02 14:00  Adam Admin added cell 'Lathe 4' (name: Lathe 4)"
    assert found == "10 events found, 10 shown."
    chain = told.get_one(AuditChain, 1)
    assert end == f"The chain ends at event 10 with the hash {chain.head}."


@pytest.mark.database("sqlite")  # the list is cut alike on both
def test_only_the_newest_are_listed_when_asked_for_so_many(trialog, told):
    *events, found, _ = trialog("audit", "--most", 2).stdout.splitlines()
    assert [line.split()[0] for line in events] == ["9", "10"]
    assert found == "10 events found, 2 shown."


NARROWED = (
    (["--person", "Adam Admin", "--action", "added", "--subject", "device"], [3, 4, 5]),
    (["--person", "nobody signed in"], [1]),
    (["--subject", "logbook", "--from", "2026-03-02", "--to", "2026-03-02"], [10]),
    (["--text", "chips"], [8]),
    (["--to", "2026-03-01"], []),
)


def test_each_option_narrows_the_list_down(trialog, told):
    for options, numbers in NARROWED:
        data = json.loads(trialog("audit", *options, "--json").stdout)
        assert data["found"] == len(numbers)
        assert [event["sequence"] for event in data["events"]] == numbers


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--from", "yesterday"], "from must be a day such as 2026-03-31, got 'yesterday'"),
        (["--from", "2026-03-05", "--to", "2026-03-04"], "to must not be before the first day"),
        (["--person", "Nobody Known"], "person must be a known person, got 'Nobody Known'"),
        (["--most", "0"], "0 is not in the range"),
        (["--time-zone", "Mars/Base"], "Mars/Base"),
    ],
)
@pytest.mark.database("sqlite")  # no event is looked for
def test_what_cannot_be_looked_for_is_refused_in_words(trialog, told, options, said):
    result = trialog("audit", *options)
    assert result.exit_code == 2
    assert said in result.stderr
