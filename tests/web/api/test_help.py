"""The examples of the help on the API, run as they stand there against a server."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from support.clients import Program
from support.populated import populate

import trialog
from trialog.web.api.batches import NewLine
from trialog.web.logging.parsing import OWN

PAGE = (Path(trialog.__file__).parent / "docs" / "api.md").read_text(encoding="utf-8")
SERVER = "http://127.0.0.1:8765"

pytestmark = pytest.mark.database("sqlite")


@pytest.fixture
def program(live_server, session, people):
    populate(live_server.app, session, people)
    program = Program(live_server.app, session, people.engineer, name="example")
    opening = {"client_id": "open", "kind": "open", "shift": "early A", "stage": "by hand"}
    assert program.post("/cells/1/entries", {"entries": [opening]}).status_code == 200
    return program


def examples(language, beginning):
    blocks = re.findall(rf"```{language}\n(.*?)```", PAGE, re.S)
    return [block for block in blocks if block.startswith(beginning)]


def test_the_examples_for_curl_work(program, live_server, monkeypatch, tmp_path):
    monkeypatch.setenv("TRIALOG_TOKEN", program.token)
    monkeypatch.chdir(tmp_path)
    log = "shift,cycle,time,outcome\nlate,1,2026-03-02T06:00:00Z,good\n"
    Path("log.csv").write_text(log, encoding="utf-8")
    assert shutil.which("curl")
    text = "".join(examples("", "curl")).replace("\\\n", " ")
    commands = [line for line in text.splitlines() if line.strip()]
    assert len(commands) == 7
    for command in commands:
        typed = command.replace(SERVER, live_server.url).replace(
            "curl", "curl -sS --fail-with-body"
        )
        ran = subprocess.run(
            ["sh", "-c", typed], capture_output=True, text=True, timeout=30, check=False
        )
        assert ran.returncode == 0, (command, ran.stdout, ran.stderr)
        assert ran.stdout
    assert [one["status"] for one in json.loads(last_batch(commands, live_server))] == ["repeated"]


def last_batch(commands, live_server):
    """Send the example of lines once more, and return the answers."""
    (post,) = (one for one in commands if "/entries" in one and "-d" in one)
    typed = post.replace(SERVER, live_server.url).replace("curl", "curl -sS")
    ran = subprocess.run(
        ["sh", "-c", typed], capture_output=True, text=True, timeout=30, check=True
    )
    return json.dumps(json.loads(ran.stdout)["entries"])


def test_the_example_in_python_works(program, live_server, monkeypatch, capsys):
    monkeypatch.setenv("TRIALOG_TOKEN", program.token)
    (code,) = examples("python", "import os")
    exec(code.replace(SERVER, live_server.url), {})  # noqa: S102 - our own page
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith("Lathe 4 ")
    assert said[1:] == ["['added']", "Changed meanwhile"]


def test_the_fields_of_each_kind_are_told():
    table = PAGE.split("| kind | fields beyond ")[1]
    told = {
        row[1]: set(re.findall(r"`(\w+)`", row[2]))
        for row in re.finditer(r"^\| (\w+) \| (.*?)\|$", table.split("\n\n")[0], re.M)
    }
    assert told == {
        kind.value: set(own) - ({"cycles"} if kind.value == "failed" else set())
        for kind, own in OWN.items()
    }
    assert set(NewLine.model_fields) >= set().union(*told.values())
