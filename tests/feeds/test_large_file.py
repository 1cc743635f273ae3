"""A file of 25,600 lines from another system: several pieces of all that is written in pieces.

`.ci/prove -k import` takes eight times as many.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from trialog.feeds import csv_log
from trialog.records import bulk, logbook

PER_SHIFT = 800
SHIFTS = 32
BEGIN = datetime(2025, 1, 1, 6, 0, tzinfo=UTC)


def large_file(shifts):
    rows = ["shift;cycle;time;outcome;modes;operator;note"]
    for shift in range(shifts):
        opened = BEGIN + timedelta(days=shift)
        for cycle in range(1, PER_SHIFT + 1):
            time = (opened + timedelta(seconds=30 * cycle)).isoformat()
            outcome = "good;;" if cycle % 100 else "failed;chips left;"
            rows.append(f"S{shift};{cycle};{time};{outcome}Olga Operator;")
    return "\r\n".join(rows).encode("cp1252")


def test_all_of_a_large_file_arrives(intake):
    lines = SHIFTS * PER_SHIFT
    assert lines > 2 * max(csv_log.PORTION, bulk.CHUNK, logbook.CHUNK)
    result = intake.imports(large_file(SHIFTS))
    assert (result.added, result.rejected) == (lines + 2 * SHIFTS, ())
    assert intake.totals() == (lines, lines, lines // 100)
    assert len(result.shifts) == SHIFTS
