"""A file of 100,000 lines: half a year of shifts from another system."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

LINES, SHIFTS = 100_000, 125
PER_SHIFT = LINES // SHIFTS
BEGIN = datetime(2025, 1, 1, 6, 0, tzinfo=UTC)


def large_file():
    rows = ["shift;cycle;time;outcome;modes;operator;note"]
    for shift in range(SHIFTS):
        opened = BEGIN + timedelta(days=shift)
        for cycle in range(1, PER_SHIFT + 1):
            time = (opened + timedelta(seconds=30 * cycle)).isoformat()
            outcome = "good;;" if cycle % 100 else "failed;chips left;"
            rows.append(f"S{shift};{cycle};{time};{outcome}Olga Operator;")
    return "\r\n".join(rows).encode("cp1252")


def test_all_of_a_large_file_arrives(intake):
    result = intake.imports(large_file())
    assert (result.added, result.rejected) == (LINES + 2 * SHIFTS, ())
    assert intake.totals() == (LINES, LINES, LINES // 100)
    assert len(result.shifts) == SHIFTS
