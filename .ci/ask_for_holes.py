"""Ask public lists about the pinned versions, one list after the other until one has answered.

pip-audit ends with 1 whatever went wrong. Only the report that it writes proves that it was
answered about every version, and only words that it is known to use for an unreachable list are
taken for that: anything else is a failure, and no broken tool passes for a lack of network.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

LISTS = ("pypi", "osv")
FAILED, NOBODY_ASKED = 1, 75

UNREACHABLE = re.compile(
    r"requests\.exceptions\.|ServiceError|Could not connect to|is not redirecting properly"
    r"|could not be audited"  # a mirror that knows packages, but no list of holes
)


def ask(service: str, pins: str) -> tuple[dict[str, Any] | None, str]:
    """Return what a list answered about all pins, or None and what pip-audit said instead."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        asked = subprocess.run(  # noqa: S603 - nothing of it comes from outside
            ["pip-audit", "--strict", "--no-deps", "--disable-pip", "--progress-spinner", "off",  # noqa: S607
             "--vulnerability-service", service, "--requirement", pins,
             "--format", "json", "--output", str(report)],
            check=False, capture_output=True, text=True,
        )  # fmt: skip
        if report.exists():
            return json.loads(report.read_text(encoding="utf-8")), ""
    return None, asked.stderr.strip() or f"pip-audit ended with {asked.returncode}, without a word"


def holes(answer: dict[str, Any]) -> list[str]:
    """Return a line for each known hole of an answer."""
    return [
        f"{one['name']} {one['version']}: {hole['id']}, mended in "
        f"{', '.join(hole['fix_versions']) or 'no version yet'}"
        for one in answer["dependencies"]
        for hole in one["vulns"]
    ]


def main(pins: str) -> int:
    """Print what is known of the pins; return the exit code that says which of three it is."""
    for service in LISTS:
        answer, said = ask(service, pins)
        if answer is not None:
            found = holes(answer)
            asked = len(answer["dependencies"])
            print(
                "\n".join([*found, f"{service}: {asked} versions asked about, {len(found)} holes"])
            )
            return FAILED if found else 0
        print(f"{service}: {said.splitlines()[-1]}")
        if not UNREACHABLE.search(said):
            print(f"dependency audit: pip-audit failed\n{said}")
            return FAILED
    print("dependency audit: nobody could be asked")
    return FAILED if os.environ.get("TRIALOG_AUDIT") == "required" else NOBODY_ASKED


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
