"""The audit for known holes: what it makes of each answer, and how a run of all checks tells of it.

A stand-in answers as pip-audit 2.10 does; its words for a list that cannot be reached were seen, on
a machine without a network and behind a mirror of PyPI that holds packages and no list of holes.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CI = Path(__file__).resolve().parents[2] / ".ci"
TOOLS = ("ruff", "mypy", "lint-imports", "alembic", "deptry", "pytest", "coverage")
PINS = "flask==3.1.3\njinja2==3.1.6\n"
STAND_IN = """#!{python}
import json, sys
asked = dict(zip(sys.argv[1:], sys.argv[2:]))
assert open(asked["--requirement"]).read() == {pins!r}
said = {answers!r}[asked["--vulnerability-service"]]
if isinstance(said, str):
    sys.exit(said)
with open(asked["--output"], "w") as report:
    json.dump({{"dependencies": said, "fixes": []}}, report)
sys.exit(any(one["vulns"] for one in said))
"""

CLEAN = [{"name": name, "version": "3.1", "vulns": []} for name in ("flask", "jinja2")]
HOLE = [CLEAN[0], CLEAN[1] | {"vulns": [{"id": "PYSEC-0000-1", "fix_versions": ["3.2"]}]}]
OFFLINE = (
    "Traceback (most recent call last):\n"
    "requests.exceptions.ConnectionError: HTTPSConnectionPool(host='api.osv.dev', port=443)"
)
MIRROR = "ERROR:pip_audit._cli:flask: Dependency not found on PyPI and could not be audited: flask"
BROKEN = "ImportError: cannot import name 'audit' from 'pip_audit._cli'"
NOBODY = "dependency audit: nobody could be asked"


@pytest.fixture
def run(tmp_path):
    """Return a function that runs a script of `.ci` in a copy; all other tools are content."""
    copy, tools = tmp_path / "copy" / ".ci", tmp_path / "tools"
    copy.mkdir(parents=True)
    tools.mkdir()
    for name in ("audit", "check", "ask_for_holes.py"):
        shutil.copy(CI / name, copy / name)
    (copy / "constraints.txt").write_text(PINS, encoding="utf-8")

    def put(name, text):
        (tools / name).write_text(text, encoding="utf-8")
        (tools / name).chmod(0o755)

    def run(script, *, environment=None, **answers):
        put("pip-audit", STAND_IN.format(python=sys.executable, pins=PINS, answers=answers))
        for name in TOOLS:
            put(name, "#!/bin/sh\nexit 0\n")
        known = {key: value for key, value in os.environ.items() if key != "TRIALOG_AUDIT"}
        known |= {"PATH": f"{tools}:{Path(sys.executable).parent}:/usr/bin:/bin"}
        return subprocess.run(
            ["/bin/sh", copy / script], env=known | (environment or {}), text=True,
            capture_output=True, check=False,
        )  # fmt: skip

    return run


def test_versions_without_a_known_hole_pass(run):
    done = run("audit", pypi=CLEAN)
    assert (done.returncode, done.stdout) == (0, "pypi: 2 versions asked about, 0 holes\n")


@pytest.mark.parametrize("answers", [{"pypi": HOLE}, {"pypi": OFFLINE, "osv": HOLE}], ids=str)
def test_a_known_hole_fails_with_its_name_and_what_mends_it(run, answers):
    done = run("audit", **answers)
    assert done.returncode == 1
    assert "jinja2 3.1: PYSEC-0000-1, mended in 3.2\n" in done.stdout
    assert NOBODY not in done.stdout


@pytest.mark.parametrize("first", [OFFLINE, MIRROR])
def test_where_nobody_can_be_asked_it_says_so_and_who_could_not(run, first):
    done = run("audit", pypi=first, osv=OFFLINE)
    assert done.returncode == 75
    assert [line.split(":")[0] for line in done.stdout.splitlines()] == [
        "pypi", "osv", "dependency audit",
    ]  # fmt: skip
    assert done.stdout.endswith(f"{NOBODY}\n")


def test_the_second_list_is_asked_where_the_first_cannot_be(run):
    assert run("audit", pypi=MIRROR, osv=CLEAN).returncode == 0


def test_nobody_to_ask_is_a_failure_where_an_audit_is_required(run):
    done = run("audit", pypi=MIRROR, osv=OFFLINE, environment={"TRIALOG_AUDIT": "required"})
    assert done.returncode == 1
    assert NOBODY in done.stdout


def test_a_tool_that_is_broken_does_not_pass_for_a_lack_of_network(run):
    done = run("audit", pypi=BROKEN, osv=CLEAN)
    assert done.returncode == 1
    assert BROKEN in done.stdout


def test_a_run_of_all_checks_fails_with_a_known_hole(run):
    done = run("check", pypi=HOLE)
    assert done.returncode == 1
    assert done.stdout.endswith("\nfailed: dependency audit;\n")


def test_a_run_of_all_checks_ends_with_what_is_not_known(run):
    done = run("check", pypi=MIRROR, osv=OFFLINE)
    assert done.returncode == 0
    assert done.stdout.endswith(f"\nnot known: {NOBODY};\n\nall checks passed\n")
    required = run("check", pypi=MIRROR, osv=OFFLINE, environment={"TRIALOG_AUDIT": "required"})
    assert required.returncode == 1
    assert required.stdout.endswith("\nfailed: dependency audit;\n")


def test_a_run_of_all_checks_says_nothing_where_all_is_well(run):
    done = run("check", pypi=CLEAN)
    assert done.returncode == 0
    assert "not known" not in done.stdout
