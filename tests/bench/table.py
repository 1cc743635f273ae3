"""Run the bench functions and print one line for each: ours, the other, ratio, bar."""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parent
OPTIONS = [
    "-q",
    "--no-header",
    "-p",
    "no:cacheprovider",
    "--benchmark-disable-gc",
    "--benchmark-quiet",
]
NAMES = ["-o", "python_files=bench_*.py", "-o", "python_functions=bench_*"]


def main(arguments: list[str]) -> int:
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "timings.json"
        result = pytest.main(
            [*OPTIONS, *NAMES, f"--benchmark-json={kept}", str(FOLDER), *arguments]
        )
        if kept.exists() and kept.stat().st_size:
            print(table(json.loads(kept.read_text(encoding="utf-8"))["benchmarks"]))
    return int(result)


def table(timings: list[dict[str, Any]]) -> str:
    """Lay the rows out; a ratio says how many times faster than the other, or than the limit."""
    rows: dict[str, dict[str, float]] = {}
    for timing in timings:
        told = timing["extra_info"]
        row = rows.setdefault(told["row"].strip().removesuffix("."), {"bar": told["bar"]})
        row[told["side"]] = told.get("measured", timing["stats"]["median"])
    lines = [f"{'':<62}{'ours':>12}{'other':>12}{'ratio':>8}{'bar':>8}"]
    lines += [line(name, row) for name, row in rows.items()]
    return "\n".join(lines)


def line(name: str, row: dict[str, float]) -> str:
    limited = "limit" in row
    ours = row["limit"] if limited else row["ours"]
    other, bar = (row["bar"], 1.0) if limited else (row["other"], row["bar"])
    verdict = "" if other / ours >= bar else "  below its bar"
    return f"{name:<62}{spell(ours):>12}{spell(other):>12}{other / ours:>8.2f}{bar:>8.2f}{verdict}"


def spell(seconds: float) -> str:
    return f"{seconds * 1e3:,.3f} ms"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
