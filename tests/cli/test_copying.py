"""`database move`, `backup` and `restore` as their users type them."""

from __future__ import annotations

import json
import os
import re
import zipfile

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


@pytest.fixture
def with_keys(trialog, shop, tmp_path):
    """Return a backup with keys, made where somebody put a file of his own among them."""
    server = tmp_path / "server"
    (server / "tls").mkdir(parents=True)
    (server / "secret_key").write_text("hush")
    (server / "tls" / "authority.pem").write_text("trusted")
    (server / "tls" / "Copy of authority.pem").write_text("trusted")
    path = tmp_path / "b.zip"
    made = trialog("backup", path, "--with-keys", "--data-folder", server)
    assert made.exit_code == 0, made.output
    return path


@pytest.mark.database("sqlite")
def test_keys_come_back_whatever_else_lies_beside_them(trialog, with_keys, tmp_path, other):
    new = tmp_path / "new"
    words = ("restore", with_keys, "--database", other, "--data-folder", new)
    assert trialog(*words, "--with-keys").exit_code == 0
    assert (new / "tls" / "authority.pem").read_text() == "trusted"
    assert [path.name for path in (new / "tls").iterdir()] == ["authority.pem"]


@pytest.mark.database("sqlite")
def test_a_name_that_no_key_has_is_refused_before_records_are_written(
    trialog, with_keys, tmp_path, other
):
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(with_keys) as before, zipfile.ZipFile(bad, "w") as after:
        told = json.loads(before.read("manifest.json"))
        told["keys"].insert(0, "tls/Copy of authority.pem")
        after.writestr("manifest.json", json.dumps(told))
        after.writestr("keys/tls/Copy of authority.pem", "trusted")
        for name in before.namelist()[1:]:
            after.writestr(name, before.read(name))
    words = ("--database", other, "--data-folder", tmp_path / "new")
    refused = trialog("restore", bad, *words, "--with-keys")
    assert refused.exit_code == 2
    assert "name of a key must be one of the data folder's" in refused.stderr
    assert list((tmp_path / "new").iterdir()) == []
    assert trialog("restore", bad, *words).exit_code == 0


def test_keys_can_be_put_after_the_records(trialog, with_keys, tmp_path, fresh_databases):
    new, other = tmp_path / "new", fresh_databases()
    words = ("restore", with_keys, "--database", other, "--data-folder", new)
    assert trialog(*words).exit_code == 0
    put = trialog(*words, "--with-keys", "--json")
    assert put.exit_code == 0, put.output
    assert json.loads(put.stdout)["keys"] == ["secret_key", "tls/authority.pem"]
    assert json.loads(put.stdout)["lines"] == 8
    (new / "secret_key").unlink()
    added = ("--name", "Nadia", "--role", "operator", "--pin", "739105", "--database", other)
    assert trialog("people", "add", *added).exit_code == 0
    refused = trialog(*words, "--with-keys")
    assert refused.exit_code == 2
    assert "holds records already" in refused.stderr
    assert not (new / "secret_key").exists()


@pytest.mark.database("sqlite")
def test_the_backup_just_made_stays_where_another_is_named_after_it(trialog, shop, tmp_path):
    folder = tmp_path / "kept"
    ahead = folder / "trialog-29990101T000000Z.zip"
    assert trialog("backup", ahead).exit_code == 0
    result = trialog("backup", "--to", folder, "--keep", 1, "--json")
    assert json.loads(result.stdout)["removed"] == [str(ahead)]
    assert [str(path) for path in folder.iterdir()] == [json.loads(result.stdout)["file"]]


@pytest.mark.database("sqlite")
def test_a_damaged_backup_ends_no_command_in_a_traceback(trialog, shop, tmp_path, other):
    folder = tmp_path / "kept"
    damaged, old = (folder / f"trialog-2020010{day}T000000Z.zip" for day in (1, 2))
    for path in (damaged, old):
        assert trialog("backup", path).exit_code == 0
    content = bytearray(damaged.read_bytes())
    content[60] ^= 0xFF
    damaged.write_bytes(content)
    kept = trialog("backup", "--to", folder, "--keep", 1, "--json")
    assert kept.exit_code == 0, kept.output
    assert json.loads(kept.stdout)["removed"] == [str(old)]
    assert damaged.exists()
    restored = trialog("restore", damaged, "--database", other)
    assert restored.exit_code == 2
    assert "be a whole file that trialog backup wrote" in restored.stderr


@pytest.mark.database("sqlite")
def test_a_backup_clears_what_a_killed_restore_left_in_the_data_folder(trialog, shop, tmp_path):
    killed, running = (tmp_path / "data" / f".trialog-backup-{name}" for name in ("a", "b"))
    for folder in (killed, running):
        folder.mkdir(parents=True)
    os.utime(killed, (1, 1))
    words = ("--to", tmp_path / "kept", "--data-folder", tmp_path / "data")
    assert trialog("backup", *words).exit_code == 0
    assert running.exists()
    assert not killed.exists()


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
