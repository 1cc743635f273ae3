"""README keeps its promises: the job first, two commands, pictures that exist, links that lead."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import urllib.request
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[2]
README = (TOP / "README.md").read_text(encoding="utf-8")
SETUP = [block.strip() for block in re.findall(r"^```\n(.*?)^```", README, re.M | re.S)][:2]


def tracked_files():
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=TOP, check=True, capture_output=True, text=True,
    )  # fmt: skip
    return [line for line in listed.stdout.splitlines() if (TOP / line).is_file()]


@pytest.fixture
def clone(tmp_path):
    """Copy what git knows, or would know, into a fresh folder: no environment, no caches."""
    for name in tracked_files():
        target = tmp_path / "clone" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(TOP / name, target)
    return tmp_path / "clone"


def test_it_opens_with_the_job_in_one_paragraph():
    title, paragraph, heading = README.split("\n\n")[:3]
    assert title == "# trialog"
    assert "GO / KEEP RUNNING / NO-GO" in paragraph
    assert heading == "## Start"


def test_its_first_two_commands_set_everything_up():
    assert SETUP == ["bash .ci/demo", "bash .ci/test"]


def test_the_first_command_ends_with_a_working_page_at_the_address_it_prints(clone, tmp_path):
    environment = {
        name: value for name, value in os.environ.items() if not name.startswith("TRIALOG_")
    }
    environment |= {
        "TRIALOG_DATA_FOLDER": str(tmp_path / "data"),
        "TRIALOG_PORT": "0",
        "PYTHONUNBUFFERED": "1",
    }
    environment.pop("VIRTUAL_ENV", None)
    with subprocess.Popen(
        SETUP[0].split(), cwd=clone, env=environment, text=True, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True,
    ) as demo:  # fmt: skip
        printed = []
        try:
            for line in demo.stdout:
                printed.append(line)
                found = re.search(r"http://[\w.:]+", line)
                if found:
                    break
            else:
                pytest.fail("no address printed:\n" + "".join(printed[-30:]))
            with urllib.request.urlopen(f"{found[0]}/login", timeout=30) as answer:  # noqa: S310 - loopback
                page = answer.read().decode()
        finally:
            os.killpg(demo.pid, signal.SIGINT)
        demo.stdout.read()
        assert demo.wait(timeout=30) == 0
    assert answer.status == 200
    assert "Sign in" in page


def test_the_automatic_run_calls_the_second_command():
    assert 'bash "$here/test"' in (TOP / ".ci" / "run").read_text()


@pytest.mark.parametrize("link", re.findall(r"\]\((?!http)([^)#]+)\)", README))
def test_its_links_and_pictures_are_there(link):
    assert (TOP / link).is_file()
