"""The house's own rules, where a linter has none for them."""

import re
import socket
from pathlib import Path

import pytest
from support.browsing import browser_path

TOP = Path(__file__).resolve().parents[2]
MODULES = sorted((TOP / "trialog").rglob("*.py"))
TESTS = sorted((TOP / "tests").rglob("*.py"))
LONGEST_MODULE = 400


def lines_that_match(files, pattern):
    found = re.compile(pattern)
    return [
        f"{path.relative_to(TOP)}:{number}: {line.strip()}"
        for path in files
        if path != Path(__file__).resolve()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if found.search(line)
    ]


def test_no_test_is_skipped_or_expected_to_fail():
    assert lines_that_match(TESTS, r"\bpytest\.(mark\.)?(skip|skipif|xfail|importorskip)\b") == []


def test_a_check_is_silenced_by_its_code_only():
    bare = r"# noqa(?!: [A-Z]+\d+)|# type: ignore(?!\[)"
    assert lines_that_match([*MODULES, *TESTS], bare) == []


def test_no_module_grows_beyond_what_fits_a_head():
    # The tables stand in one file, so that the whole schema is read in one place.
    lengths = {
        str(path.relative_to(TOP)): len(path.read_text(encoding="utf-8").splitlines())
        for path in MODULES
        if path.name != "models.py"
    }
    assert {path: lines for path, lines in lengths.items() if lines >= LONGEST_MODULE} == {}


def test_the_application_checks_its_input_without_assert():
    assert lines_that_match(MODULES, r"^\s*assert\b") == []


def test_the_scripts_name_no_package_index():
    scripts = [path for path in (TOP / ".ci").iterdir() if path.is_file()]
    assert lines_that_match(scripts, r"index-url|find-links|trusted-host") == []


def test_every_pinned_package_is_a_name_and_a_version():
    lines = (TOP / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if not re.fullmatch(r"[a-z0-9-]+==[0-9a-z.]+", line)] == []
    assert lines == sorted(set(lines))


@pytest.mark.parametrize("address", [("192.0.2.1", 80), ("2001:db8::1", 80), ("example.org", 80)])
def test_a_test_cannot_reach_beyond_this_machine(address):
    with pytest.raises(RuntimeError, match="must not reach beyond this machine"):
        socket.create_connection(address, timeout=1)


def test_a_missing_browser_fails_with_what_to_do(monkeypatch):
    monkeypatch.setenv("TRIALOG_TEST_CHROMIUM", "/nowhere/chromium")
    with pytest.raises(pytest.fail.Exception, match="install chromium, or name one"):
        browser_path()
