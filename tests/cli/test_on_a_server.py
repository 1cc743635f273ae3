"""Commands that are pointed at a server print what they print on its database."""

from __future__ import annotations

import json

import pytest
from support.clients import Program

from trialog.records.words import Scope

CELL = "Lathe 4"

# The API is tested on both databases; here the same is asked for by two ways.
pytestmark = pytest.mark.database("sqlite")


@pytest.fixture
def server(live_server, session, people, monkeypatch):
    program = Program(live_server.app, session, people.engineer, Scope.READ)
    monkeypatch.setenv("TRIALOG_TOKEN", program.token)
    return live_server.url


COMMANDS = {
    "verdict": ("verdict", "--trial", "Arm"),
    "verdict as data": ("verdict", "--trial", "Arm", "--json"),
    "verdict in a zone": ("verdict", "--trial", "Arm", "--time-zone", "America/New_York"),
    "export": ("export", "--trial", "Arm", "-o", "-"),
    "table": ("report", "trial", "Arm", "--format", "csv"),
    "Spanish table": ("report", "shift", "1", "--format", "csv", "--language", "es"),
}


@pytest.mark.parametrize("words", COMMANDS.values(), ids=COMMANDS)
def test_a_server_says_the_same_as_its_database(trialog, shop, server, words):
    there, here = trialog(*words, "--server", server), trialog(*words)
    assert there.exit_code == here.exit_code == 0, there.output
    assert there.stdout == here.stdout
    assert there.stderr == here.stderr


@pytest.mark.parametrize(
    "about", [("shift", "1"), ("trial", "Arm"), ("evidence", "Arm"), ("cell", CELL), ("fleet",)]
)
def test_a_servers_report_is_that_of_its_database(trialog, shop, server, about):
    words = ("report", *about, "--json")
    there, here = (trialog(*words, *of).stdout for of in (("--server", server), ()))
    told = [json.loads(text) for text in (there, here)]
    assert there.splitlines()[:2] == here.splitlines()[:2]  # laid out alike
    assert [one.pop("produced_at") is not None for one in told] == [True, True]
    assert told[0] == told[1]


def test_the_variable_points_at_a_server_and_a_flag_for_a_database_wins(
    trialog, shop, server, monkeypatch, database
):
    monkeypatch.setenv("TRIALOG_SERVER", server)
    monkeypatch.delenv("TRIALOG_TOKEN")
    words = COMMANDS["verdict"]
    assert "TRIALOG_TOKEN must hold a client's token" in trialog(*words).stderr
    assert trialog(*words, "--database", database).exit_code == 0
    both = trialog(*words, "--database", database, "--server", server)
    assert (both.exit_code, "not go with a database" in both.stderr) == (2, True)


def test_a_token_may_stand_in_a_file(trialog, shop, server, monkeypatch, tmp_path):
    import os  # noqa: PLC0415 - the variable that the fixture has set

    kept = tmp_path / "token"
    kept.write_text(os.environ["TRIALOG_TOKEN"] + "\n")
    monkeypatch.delenv("TRIALOG_TOKEN")
    words = (*COMMANDS["verdict"], "--server", server, "--token-file", kept)
    assert trialog(*words).exit_code == 0
    kept.write_text("ä" * 9)
    refused = trialog(*words)
    assert refused.exit_code == 2
    assert "got '••••••••'" in refused.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("verdict", "--trial", "Arn"), "(did you mean 'Arm'?)"),
        (("report", "cell", "x"), "cell must be the name of a cell in the records, got 'x'"),
        (("report", "shift", "99"), "the server said: "),
    ],
)
def test_what_is_not_there_is_said_as_on_the_database(trialog, shop, server, words, said):
    more = ("--json",) if words[0] == "report" else ()
    answer = trialog(*words, *more, "--server", server)
    assert (answer.exit_code, said in answer.stderr) == (2, True), answer.stderr


def test_a_bad_token_an_address_that_is_none_and_nobody_there_are_refusals(
    trialog, shop, server, monkeypatch
):
    words = COMMANDS["verdict"]
    assert "begin with http" in trialog(*words, "--server", "shop").stderr
    monkeypatch.setenv("TRIALOG_TOKEN", "x")
    refused = trialog(*words, "--server", server)
    assert (refused.exit_code, "The token is not known" in refused.stderr) == (2, True)


LOG = (
    "shift,cycle,time,outcome,modes\n"
    "late,1,2026-03-02T06:00:00+00:00,good,\n"
    "late,2,2026-03-02T06:01:00+00:00,nonsense,\n"
)


@pytest.fixture
def log(tmp_path):
    file = tmp_path / "log.csv"
    file.write_text(LOG, encoding="utf-8")
    return file


@pytest.fixture
def writing(live_server, session, people, monkeypatch):
    """Return the options that point at the server, with a token that reads and writes."""
    program = Program(live_server.app, session, people.engineer, Scope.READ, Scope.LOG, name="w")
    monkeypatch.setenv("TRIALOG_TOKEN", program.token)
    return ("--server", live_server.url)


@pytest.mark.parametrize("more", [(), ("--dry-run",), ("--dry-run", "--json"),
                                  ("--good-lines-only", "--dry-run")], ids=str)  # fmt: skip
def test_an_import_says_there_what_it_says_here(trialog, shop, log, writing, more):
    words = ("import", log, "--trial", "Arm", *more)
    there, here = trialog(*words, *writing), trialog(*words)
    assert (there.exit_code, there.stdout, there.stderr) == (
        here.exit_code, here.stdout, here.stderr,
    )  # fmt: skip
    assert "line 3: " in there.stderr


def test_an_import_on_a_server_is_written_there_once(trialog, shop, log, writing):
    words = ("import", log, "--trial", "Arm", "--good-lines-only", "--json")
    first, again, here = trialog(*words, *writing), trialog(*words, *writing), trialog(*words)
    told = [json.loads(answer.stdout) for answer in (first, again, here)]
    assert [(one["added"], one["repeated"]) for one in told] == [(3, 0), (0, 1), (0, 1)]


def test_every_report_of_a_server_is_that_of_its_database(trialog, shop, server, tmp_path):
    words = ("report", "--all", "--format", "csv", "-o")
    there, here = tmp_path / "there", tmp_path / "here"
    asked, made = trialog(*words, there, "--server", server), trialog(*words, here)
    assert asked.stdout == made.stdout.replace(str(here), str(there)), asked.output
    names = sorted(file.name for file in here.iterdir())
    assert sorted(file.name for file in there.iterdir()) == names
    assert len(names) > 50
    for name in names:
        told = [(folder / name).read_text(encoding="utf-8") for folder in (there, here)]
        if name.endswith("-facts.csv"):  # it says when it was made
            told = [text.splitlines()[0] for text in told]
        assert told[0] == told[1], name
