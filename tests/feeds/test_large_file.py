"""A file of 100,000 lines: half a year of shifts from another system.

On the server database a fifth of it has to do: that is several pieces of all that is written in
pieces too, and all else is the same.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from trialog.records import logbook, storing

PER_SHIFT = 800
SHIFTS_ON = {"sqlite": 125, "postgresql": 25}
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


def test_all_of_a_large_file_arrives(intake, database_kind):
    shifts = SHIFTS_ON[database_kind]
    lines = shifts * PER_SHIFT
    assert lines > 2 * max(storing.CHUNK, logbook.CHUNK)
    result = intake.imports(large_file(shifts))
    assert (result.added, result.rejected) == (lines + 2 * shifts, ())
    assert intake.totals() == (lines, lines, lines // 100)
    assert len(result.shifts) == shifts
