"""`database move`, `backup` and `restore` as their users type them."""

from __future__ import annotations

import json
import re

import pytest
from sqlalchemy import make_url, update

from trialog.records.models import Entry

LINES = "8 lines and "


@pytest.fixture
def other(tmp_path):
    """Return the URL of a database that is not there yet."""
    return f"sqlite:///{tmp_path / 'other' / 'new.db'}"


def test_a_move_says_what_it_did_and_what_comes_next(trialog, shop, other):
    result = trialog("database", "move", "--to", other)
    assert result.exit_code == 0, result.output
    said = result.stdout.splitlines()
    assert said[0].startswith(LINES)
    assert f"are in {other} now, the same as before." in said[0]
    assert "Next: set TRIALOG_DATABASE_URL" in said[1]
    assert "Moving" in result.stderr
    assert "8 lines, 1 cell" in trialog("verify", "--database", other).stdout


def test_a_second_move_into_the_same_database_is_refused(trialog, shop, other):
    assert trialog("database", "move", "--to", other).exit_code == 0
    result = trialog("database", "move", "--to", other)
    assert result.exit_code == 2
    assert "holds records already" in result.stderr


@pytest.mark.parametrize("words", [("database", "move"), ("restore",)])
def test_spoiled_records_are_copied_and_end_with_1(trialog, shop, session, other, words):
    session.execute(update(Entry).where(Entry.sequence == 2).values(text="nothing happened"))
    session.commit()
    file = make_url(other).database + ".zip"
    trialog("backup", file)
    options = ("--to", other) if words[0] == "database" else (file, "--database", other)
    result = trialog(*words, *options)
    assert result.exit_code == 1
    assert "line 2" in result.stderr
    assert trialog("verify", "--database", other).exit_code == 1


def test_a_backup_of_spoiled_records_with_verify_is_refused(trialog, shop, session, tmp_path):
    session.execute(update(Entry).where(Entry.sequence == 2).values(text="nothing happened"))
    session.commit()
    result = trialog("backup", tmp_path / "b.zip", "--verify")
    assert result.exit_code == 2
    assert "not what the logbook says" in result.stderr
    assert not (tmp_path / "b.zip").exists()


def test_a_backup_is_named_after_its_moment_and_restored(trialog, shop, tmp_path, other):
    result = trialog("backup", "--to", tmp_path, "--keep", 2, "--verify")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith(LINES)
    (made,) = tmp_path.glob("*.zip")
    assert re.fullmatch(r"trialog-\d{8}T\d{6}Z\.zip", made.name)
    restored = trialog("restore", made, "--database", other)
    assert restored.exit_code == 0, restored.output
    assert restored.stdout.startswith(LINES)
    assert "again." in restored.stdout
    again = trialog("restore", made, "--database", other)
    assert again.exit_code == 2
    assert "holds records already" in again.stderr


@pytest.mark.database("sqlite")
def test_keys_go_along_only_when_asked(trialog, shop, tmp_path, other):
    server, new = tmp_path / "server", tmp_path / "new"
    server.mkdir()
    (server / "secret_key").write_text("hush")
    for number, option in enumerate([(), ("--with-keys",)]):
        path = tmp_path / f"{number}.zip"
        assert trialog("backup", path, *option, "--data-folder", server).exit_code == 0
        database = ("--database", f"{other}{number}", "--data-folder", new)
        put = trialog("restore", path, "--with-keys", "--json", *database)
        assert json.loads(put.stdout)["keys"] == ["secret_key"] * number
    assert (new / "secret_key").read_text() == "hush"


@pytest.mark.database("sqlite")
def test_a_file_and_a_folder_do_not_go_together(trialog, tmp_path):
    result = trialog("backup", tmp_path / "b.zip", "--keep", 3)
    assert result.exit_code == 2
    assert "--keep are for a folder" in result.stderr


@pytest.mark.database("sqlite")
def test_what_is_no_backup_is_refused(trialog, tmp_path):
    (tmp_path / "b.zip").write_text("no")
    result = trialog("restore", tmp_path / "b.zip")
    assert result.exit_code == 2
    assert "be a whole file that trialog backup wrote" in result.stderr
