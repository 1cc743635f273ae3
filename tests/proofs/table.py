"""Run the proofs and print one line for each figure: what it is, what was found, the bar."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent
OPTIONS = ["-q", "--no-header", "-p", "no:cacheprovider", "-p", "no:benchmark"]
NAMES = ["-o", "python_files=prove_*.py", "-o", "python_functions=prove_*"]


def main(arguments: list[str]) -> int:
    return int(pytest.main([*OPTIONS, *NAMES, str(FOLDER), *arguments]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
