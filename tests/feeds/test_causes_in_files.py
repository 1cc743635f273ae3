"""The cause of a ruling in a cycle log: given, missing, or from before there were any."""

from __future__ import annotations

import pytest

from trialog.records.words import EntryKind, RulingCause

HEADER = "shift,time,outcome,modes,id,target,ruling,reason"
DAY = "2026-03-02T"
CYCLES = (
    f"A,{DAY}06:00Z,open,,1,,,",
    f"A,{DAY}06:01Z,failed,chips left,2,,,",
)


def log(ruling, header=HEADER + ",cause"):
    """Return a file with a failed cycle and a ruling; its first two lines name no cause."""
    commas = "," * (header.count(",") - HEADER.count(","))
    return "\n".join([header, *(line + commas for line in CYCLES), ruling]).encode()


def stored(intake):
    return next(entry for entry in intake.entries() if entry.kind is EntryKind.RULING)


def test_a_cause_is_read_whatever_its_case(intake):
    content = log(f"A,{DAY}06:02Z,ruling,,3,2,non-relevant,seen,Handling by the Operator")
    assert intake.imports(content).rejected == ()
    assert stored(intake).cause is RulingCause.HANDLING


@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        ("non-relevant,seen,", "cause must be given"),
        ("non-relevant,,handling by the operator", "reason must be given"),
        ("non-relevant,seen,the device itself", "cause must lie outside the device"),
        ("non-relevant,seen,cause not found", "cause must lie outside the device"),
        ("relevant,seen,the moon", "cause must be one of the device itself, cause not found"),
        ('relevant,,"other, see the words"', "reason must be given"),
    ],
)
def test_what_a_ruling_lacks_is_said(intake, reasons, cells, reason):
    result = intake.imports(log(f"A,{DAY}06:02Z,ruling,,3,2,{cells}"))
    assert reason in reasons(result)[4]
    assert not result.written


@pytest.mark.parametrize("cause", ["not recorded", None])
def test_a_ruling_from_before_there_were_causes_is_taken(intake, cause):
    ruling = f"A,{DAY}06:02Z,ruling,,3,2,non-relevant,seen"
    content = log(ruling, HEADER) if cause is None else log(f"{ruling},{cause}")
    assert intake.imports(content).rejected == ()
    assert stored(intake).cause is None
    assert not stored(intake).relevant


def test_a_cause_means_nothing_on_another_line(intake, reasons):
    result = intake.imports(log(f"A,{DAY}06:02Z,good,,3,,,,the device itself"))
    assert "cause must be empty on a 'good' line" in reasons(result)[4]


def test_lines_without_an_id_that_differ_by_cause_alone_are_two(intake):
    rows = [
        f"A,{DAY}06:02Z,ruling,,,2,non-relevant,seen,{cause}"
        for cause in ("handling by the operator", "raw part out of tolerance")
    ]
    assert intake.imports(log("\n".join(rows))).added == 4
    assert intake.imports(log("\n".join(reversed(rows)))).repeated == 4
