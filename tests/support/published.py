"""The checks from outside: figures that somebody else published, one file a topic in checks/.

A row's id and how far its source was seen stand in the test's name, the source in the message of
a failure.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[1] / "checks"


@dataclass(frozen=True)
class Published:
    """One figure from outside: what it was worked out from, and how near ours must come."""

    id: str
    inputs: dict[str, Any]
    quantity: str
    expected: float
    abs_tol: float
    source: str
    status: str

    def __str__(self) -> str:
        return f"{self.id} {self.status}"

    def check(self, ours: float) -> None:
        """Hold our figure against the published one."""
        assert abs(ours - self.expected) <= self.abs_tol, f"{self.source} ({self.status})"


def read_published(topic: str) -> list[Published]:
    """Return the rows of one topic's file."""
    with (FOLDER / f"{topic}.csv").open(newline="", encoding="utf-8") as file:
        return [
            Published(
                id=row["id"],
                inputs=json.loads(row["inputs_json"]),
                quantity=row["quantity"],
                expected=float(row["expected"]),
                abs_tol=float(row["abs_tol"]),
                source=row["source"],
                status=row["status"],
            )
            for row in csv.DictReader(file)
        ]


def covered(rows: list[Published], excused: dict[str, str]) -> list[Published]:
    """Return the rows that a test covers; `excused` says why it does not cover the others."""
    unknown = set(excused) - {row.id for row in rows}
    assert not unknown, f"excused, but in no file: {sorted(unknown)}"
    return [row for row in rows if row.id not in excused]
