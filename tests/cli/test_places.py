"""Which database a command works on: a flag wins over a variable, a database over a folder."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from trialog.cli.places import Place

FOLDER = Path("/shop")


@pytest.fixture(autouse=True)
def no_variables(monkeypatch):
    for name in ("TRIALOG_DATABASE_URL", "TRIALOG_DATA_FOLDER"):
        monkeypatch.delenv(name, raising=False)


@pytest.mark.parametrize(
    ("database", "folder", "variables", "url"),
    [
        ("sqlite:///flag.db", FOLDER, {"TRIALOG_DATABASE_URL": "sqlite:///x"}, "sqlite:///flag.db"),
        (None, FOLDER, {}, "sqlite:////shop/trialog.db"),
        (None, FOLDER, {"TRIALOG_DATA_FOLDER": "/other"}, "sqlite:////shop/trialog.db"),
        (None, FOLDER, {"TRIALOG_DATABASE_URL": "sqlite:///x.db"}, "sqlite:///x.db"),
        (None, None, {"TRIALOG_DATA_FOLDER": "/other"}, "sqlite:////other/trialog.db"),
        (None, None, {"TRIALOG_DATABASE_URL": "sqlite:///x.db"}, "sqlite:///x.db"),
    ],
)
def test_the_database_is_found_in_this_order(monkeypatch, database, folder, variables, url):
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert Place(database, folder).url == url


def test_the_data_folder_flag_leads_to_its_database(run, tmp_path):
    assert run("database", "upgrade", "--data-folder", tmp_path).exit_code == 0
    assert (tmp_path / "trialog.db").is_file()
    assert run("verify", "--data-folder", tmp_path).exit_code == 0


def test_a_reader_that_has_had_enough_ends_a_command_quietly():
    with subprocess.Popen(
        [sys.executable, "-m", "trialog.cli", "bounds", "0", "10", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        process.stdout.close()
        assert process.stderr.read() == b""
