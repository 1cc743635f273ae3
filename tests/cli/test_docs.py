"""The help: every command, option, setting and JSON key is written down, each with an example."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import click
import pytest
from support.agent import Bench, Machine
from support.cells import closing, write

import trialog
from trialog.cli import cli
from trialog.records.outbox import CHANNELS, tell
from trialog.records.words import NoticeChannel, NoticeKind
from trialog.web.settings import SETTINGS

PAGE = (Path(trialog.__file__).parent / "docs" / "commands.md").read_text(encoding="utf-8")
BAD_LOG = "shift,cycle,time,outcome,modes\nextra,1,2026-03-01T06:00:00Z,good,\nextra,1,,failed,x\n"


def commands(group=cli, words=()):
    """Yield each command with the words that call it."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from commands(command, (*words, name))
        else:
            yield (*words, name), command


COMMANDS = dict(commands())
WITH_JSON = {
    words
    for words, command in COMMANDS.items()
    if any("--json" in option.opts for option in command.params)
}


def section(words):
    """Return the part of the page on a command."""
    heading = f"## trialog {' '.join(words)}\n"
    assert heading in PAGE
    return PAGE.split(heading)[1].split("\n## ")[0]


def test_the_commands_are_those_that_were_promised():
    assert set(COMMANDS) == {
        ("demo",), ("serve",), ("database", "upgrade"), ("database", "check"),
        ("database", "move"), ("backup",), ("restore",), ("people", "add"),
        ("clients", "add"), ("clients", "token"), ("clients", "list"), ("clients", "revoke"),
        ("clients", "rename"),
        ("feed", "add"), ("feed", "list"), ("feed", "run"), ("feed", "status"), ("feed", "pause"),
        ("feed", "resume"), ("feed", "remove"),
        ("setup",), ("import",), ("export",), ("bounds",), ("need",), ("plan",),
        ("verdict",),
        ("report", "shift"), ("report", "trial"), ("report", "evidence"),
        ("report", "cell"), ("report", "fleet"),
        ("report", "kept"), ("report", "schema"), ("reports",),
        ("verify",), ("notices",), ("audit",), ("doctor",),
    }  # fmt: skip


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_each_command_is_documented_with_every_option(words):
    text = section(words)
    assert f"trialog {' '.join(words)}" in text
    options = [name for option in COMMANDS[words].params for name in option.opts if name[0] == "-"]
    shared = PAGE if words[0] == "report" else text
    general = PAGE.split("## trialog demo")[0]
    assert [name for name in options if f"`{name}" not in shared + general] == []


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_each_command_has_help_with_an_example_that_its_options_allow(words, run):
    said = run(*words, "--help")
    assert said.exit_code == 0
    example = re.search(r"Example: (trialog .+)", COMMANDS[words].help)[1]
    typed = shlex.split(example)[1:]
    assert tuple(typed[: len(words)]) == words
    with click.Context(COMMANDS[words]) as context:
        named = COMMANDS[words].make_parser(context).parse_args(typed[len(words) :])[2]
    assert all(option.required is False or option in named for option in COMMANDS[words].params)
    assert all(option.help for option in COMMANDS[words].params if isinstance(option, click.Option))


@pytest.mark.parametrize("group", ["database", "people", "clients", "feed", "report"])
def test_each_group_has_help_with_an_example(run, group):
    said = run(group, "--help").stdout
    assert f"Example: trialog {group} " in said


def test_the_first_help_names_all_commands_and_exit_codes(run):
    said = run("--help").stdout
    assert {words[0] for words in COMMANDS} <= set(said.split())
    assert "2 bad input" in said
    assert run("--version").stdout.startswith("trialog, version 0.")


def test_every_variable_is_in_the_help_pages():
    pages = "\n".join(
        page.read_text(encoding="utf-8") for page in Path(trialog.__file__).parent.glob("docs/*.md")
    )
    source = "\n".join(
        path.read_text(encoding="utf-8") for path in Path(trialog.__file__).parent.rglob("*.py")
    )
    read = {f"TRIALOG_{name}" for name in SETTINGS}
    read |= set(re.findall(r'(?:envvar=|environ\.get\()"(TRIALOG_\w+)"', source))
    assert {"TRIALOG_PIN", "TRIALOG_PORT"} <= read
    assert [name for name in sorted(read) if name not in pages] == []
    assert [name for name in sorted(read) if name not in PAGE] == []


def keys_of(data):
    """Return all keys of plain data."""
    if isinstance(data, dict):
        return set(data).union(*(keys_of(value) for value in data.values()))
    return set().union(*(keys_of(value) for value in data)) if isinstance(data, list) else set()


@pytest.fixture
def agent():
    """Return a machine's agent to add a feed of."""
    with Bench(Machine()) as bench:
        yield bench


@pytest.fixture
def json_words(tmp_path, shop, agent):
    """Return for each command the words with which it prints all of its keys."""
    log, setup = tmp_path / "log.csv", tmp_path / "setup.toml"
    log.write_text(BAD_LOG, encoding="utf-8")
    setup.write_text('[[people]]\nname = "Ola"\nrole = "operator"\npin = "8642"\n')
    return {
        ("database", "upgrade"): (), ("database", "check"): (), ("verify",): (),
        ("database", "move"): ("--to", f"sqlite:///{tmp_path / 'moved.db'}"),
        ("backup",): (tmp_path / "backup.zip",),
        ("restore",): (tmp_path / "backup.zip", "--database", f"sqlite:///{tmp_path / 'new.db'}"),
        ("people", "add"): ("--name", "Ida", "--role", "operator", "--pin", "1846"),
        ("clients", "add"): ("--name", "box", "--responsible", "Ida"),
        ("clients", "token"): ("--name", "box", "--scope", "read"),
        ("clients", "list"): (), ("clients", "revoke"): ("--name", "box"),
        ("clients", "rename"): ("--name", "box", "--to", "relay box"),
        ("feed", "add"): ("--cell", shop.cell.name, "--url", agent.url),
        ("feed", "list"): (), ("feed", "status"): ("--cell", shop.cell.name),
        ("setup",): (setup,),
        ("import",): (log, "--trial", "Arm", "--dry-run", "--good-lines-only"),
        ("export",): ("--trial", "Arm", "-o", tmp_path / "out.csv"),
        ("bounds",): (0, 10),
        ("need",): ("--hours", 1, "--cycle-time", 30, "--chance", 0.9),
        ("plan",): ("--limit", 0.01, "--design", 0.001, "--cycle-time", 30),
        ("verdict",): ("--trial", "Arm"),
        ("notices",): (), ("reports",): (), ("doctor",): (),
        # The details are each action's own.
        ("audit",): ("--action", "sealed rows"),
    }  # fmt: skip


def test_the_json_keys_are_the_documented_ones(trialog, json_words, session, shop, now):
    trialog("reports", "--make")  # one is kept, and the next one is due
    write(session, shop, closing("Monday late"), now=now)
    session.connection().exec_driver_sql("UPDATE cell_rollup SET failures = 0")
    session.info[CHANNELS] = [NoticeChannel.MAIL]
    tell(session, NoticeKind.TEST, now=now, asked_by="Ola")
    session.commit()  # so that verify has a difference to print, and notices a notice
    reports = {words for words in COMMANDS if words[0] == "report"}  # their keys: reports.md
    reports.remove(("report", "schema"))  # JSON is all that it writes
    assert set(json_words) | reports == WITH_JSON
    for words, arguments in json_words.items():
        printed = keys_of(json.loads(trialog(*words, *arguments, "--json").stdout))
        documented = re.search(r"JSON keys: (.+?)(?:\n\n|$)", section(words), re.S)[1]
        assert printed == set(re.findall(r"`(\w+)`", documented)), words
        assert all(re.fullmatch(r"[a-z][a-z0-9_]*", key) for key in printed)


@pytest.mark.parametrize(
    ("words", "least"),
    [
        (("bounds",), "failures cycles confidence sides method estimate lower upper"),
        (("need",), "stretch_cycles cell_limit device_limit clean_cycles shifts"),
        (("plan",), "kind first_go_cycles cycles_per_failure max_cycles max_failures "
                    "pass_chance_at_design pass_chance_at_limit expected_cycles_at_design "
                    "expected_cycles_at_limit in_words"),
        (("verdict",), "trial verdict cycles failures upper limit proven_stretch_seconds "
                       "clean_cycles_to_go reasons name met detail"),
    ],
)  # fmt: skip
def test_the_stable_keys_stay(trialog, json_words, words, least):
    found = json.loads(trialog(*words, *json_words[words], "--json").stdout)
    assert set(least.split()) <= keys_of(found)
