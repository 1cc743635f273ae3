"""A backup is one whole file of one moment, or it is not there; and it can be restored."""

from __future__ import annotations

import errno
import json
import os
import random
import resource
import signal
import subprocess
import sys
import zipfile
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

import pytest
from support.cells import good, write
from support.copies import Watcher, kill_at_step, log_more, rows_of
from support.migrating import migrate

from trialog.errors import ConflictError, InvalidValueError
from trialog.records import schema
from trialog.records.copying import (
    back_up,
    backup_name,
    backups,
    drop_old,
    keys_of,
    move,
    put_keys,
    read_keys,
    unpack,
)
from trialog.records.copying.packed import pack
from trialog.records.database import make_engine, make_sessions
from trialog.records.models import Cell
from trialog.records.verify import verify


def make_backup(engine, path, now, *, keys=None, watcher=None):
    told = (watcher or Watcher()).told
    return back_up(engine, path, now=now, keys=keys or {}, **told)


def rows_in(path, folder):
    with unpack(path, folder) as (engine, _manifest):
        return rows_of(engine)


@pytest.fixture
def made(filled, tmp_path, now):
    """Return the path of a backup."""
    return make_backup(filled, tmp_path / "kept" / "b.zip", now).path


def test_a_backup_holds_every_row_and_says_what_it_holds(signed, tmp_path, now):
    watcher = Watcher()
    made = make_backup(signed, tmp_path / "b.zip", now, watcher=watcher)
    assert rows_in(made.path, tmp_path / "data") == rows_of(signed)
    assert made.manifest.counts["entry"] == len(rows_of(signed)["entry"])
    assert made.manifest.schema == schema.newest_version()
    assert watcher.done == watcher.total > 0


def test_a_backup_is_its_owners_alone_and_nothing_else_is_left(made):
    assert made.stat().st_mode & 0o777 == 0o600
    assert made.parent.stat().st_mode & 0o777 == 0o700
    assert [path.name for path in made.parent.iterdir()] == ["b.zip"]


def test_what_is_written_meanwhile_does_not_come_in_half(
    filled, tmp_path, sessions, now, monkeypatch
):
    monkeypatch.setattr(backups, "PAGES", 3)
    before = rows_of(filled)
    watcher = Watcher(None, lambda: log_more(sessions, now, f"cell {watcher.steps}")
                      if watcher.steps < 5 else None)  # fmt: skip
    made = make_backup(filled, tmp_path / "b.zip", now, watcher=watcher)
    assert rows_in(made.path, tmp_path) == before != rows_of(filled)


def test_a_backup_replaces_no_other_file(filled, made, now):
    before = made.read_bytes()
    with pytest.raises(ConflictError, match="never replaces another file"):
        make_backup(filled, made, now)
    assert made.read_bytes() == before


def test_a_fault_half_way_leaves_nothing(filled, tmp_path, now):
    def break_off():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_backup(filled, tmp_path / "kept" / "b.zip", now, watcher=Watcher(1, break_off))
    assert list((tmp_path / "kept").iterdir()) == []


@pytest.mark.database("sqlite")
def test_the_oldest_backups_go_and_nothing_else_does(filled, tmp_path, now):
    folder = tmp_path / "kept"
    paths = [folder / backup_name(now + timedelta(days=day)) for day in range(4)]
    made = [make_backup(filled, path, now) for path in paths]
    others = [folder / "trialog-20200101T000000Z.zip", folder / "notes.txt",
              folder / "trialog-20200101T000000Z.zip.old"]  # fmt: skip
    for other in others:
        other.write_text("not a backup of ours")
    later = now + timedelta(days=3)
    of_another = replace(made[-1], manifest=replace(made[-1].manifest, records="of another shop"))
    assert drop_old(of_another, 1, now=later) == []
    assert drop_old(made[-1], 2, now=later) == paths[:2]
    assert sorted(folder.iterdir()) == sorted([*paths[2:], *others])


@pytest.mark.database("sqlite")
def test_a_backup_of_a_moment_to_come_counts_as_the_oldest(filled, tmp_path, now):
    folder = tmp_path / "kept"
    ahead, before, day_before, just_made = (
        make_backup(filled, folder / backup_name(now + timedelta(days=days)), now)
        for days in (400, -1, -2, 0)
    )
    no_day = just_made.path.with_name("trialog-20269999T000000Z.zip")
    no_day.write_bytes(just_made.path.read_bytes())
    assert drop_old(just_made, 3, now=now) == [ahead.path]
    assert drop_old(just_made, 2, now=now) == [day_before.path]
    behind = now - timedelta(days=900)  # the clock, as after its battery went flat
    assert drop_old(before, 1, now=behind) == [just_made.path]
    assert sorted(folder.iterdir()) == sorted([before.path, no_day])


def with_byte(content, at, value):
    """Return what a file holds with one of its bytes changed."""
    return content[:at] + bytes([value]) + content[at + 1 :]


@pytest.mark.database("sqlite")
def test_a_damaged_backup_is_left_alone_and_does_not_keep_others(filled, tmp_path, now):
    folder = tmp_path / "kept"
    old, new = (make_backup(filled, folder / backup_name(now + timedelta(days=days)), now)
                for days in (-1, 0))  # fmt: skip
    whole = old.path.read_bytes()
    entry = whole.index(b"PK\1\2")  # of the manifest: it was written first
    damaged = []
    for at, value in [
        (60, whole[60] ^ 0xFF),  # its packed content
        (entry + 8, 1),  # its flags: encrypted
        (entry + 10, 99),  # the method by which it is packed
        (entry + 16, whole[entry + 16] ^ 1),  # its checksum
        (entry + 20, 9),  # its size
    ]:
        path = folder / backup_name(now - timedelta(days=at + 2))
        path.write_bytes(with_byte(whole, at, value))
        damaged.append(path)
    assert drop_old(new, 1, now=now) == [old.path]
    assert sorted(folder.iterdir()) == sorted([*damaged, new.path])


@pytest.mark.database("sqlite")
def test_what_a_killed_backup_left_is_cleared_once_it_is_old(filled, tmp_path, now, monkeypatch):
    for name in ("trialog-backup-old", ".trialog-backup-killed"):
        (tmp_path / name).mkdir()
    make_backup(filled, tmp_path / "1.zip", now)
    assert (tmp_path / ".trialog-backup-killed").exists()  # it may be at work yet
    monkeypatch.setattr(backups, "STALE_SECONDS", -1)
    make_backup(filled, tmp_path / "2.zip", now)
    assert not (tmp_path / ".trialog-backup-killed").exists()
    assert (tmp_path / "trialog-backup-old").exists()


@pytest.mark.database("sqlite")
def test_what_a_killed_restore_left_is_cleared_by_the_next_one(made, tmp_path, monkeypatch):
    killed = tmp_path / "data" / ".trialog-backup-killed"
    killed.mkdir(parents=True)
    with unpack(made, tmp_path / "data"):
        assert killed.exists()  # it may be at work yet
    monkeypatch.setattr(backups, "STALE_SECONDS", 3600)
    os.utime(killed, (1, 1))
    with unpack(made, tmp_path / "data"):
        assert not killed.exists()


def test_work_goes_on_in_restored_records(made, filled, fresh_databases, now):
    data = made.parent / "data"
    before = rows_of(filled)
    into = make_engine(fresh_databases())
    with unpack(made, data) as (engine, _manifest):
        assert move(engine, into, **Watcher().told).differences == ()
    assert rows_of(into) == before
    with make_sessions(into)() as session:
        cell = session.query(Cell).first()
        write(session, cell, good("A"), now=now)
        assert verify(session) == []
    into.dispose()
    assert list(data.iterdir()) == []


@pytest.mark.database("sqlite")
def test_an_older_backup_is_brought_up_to_date(filled, tmp_path, now):
    made = make_backup(filled, tmp_path / "b.zip", now)
    with unpack(made.path, tmp_path) as (engine, manifest):
        migrate(engine, "downgrade", "0005")
        copy = tmp_path / "old.db"
        with closing(engine.raw_connection()) as raw:
            raw.driver_connection.execute(f"VACUUM INTO '{copy}'")
    size, sha256 = copy.stat().st_size, backups.hashlib.sha256(copy.read_bytes()).hexdigest()
    old = replace(manifest, schema="0005", size=size, sha256=sha256)
    pack(tmp_path / "old.zip", old, copy, {})
    assert rows_in(tmp_path / "old.zip", tmp_path) == rows_of(filled)


def with_changed(made, name, change):
    """Write a backup again with one of its parts changed."""
    path = made.with_name("changed.zip")
    with zipfile.ZipFile(made) as before, zipfile.ZipFile(path, "w") as after:
        for part in before.namelist():
            content = before.read(part)
            after.writestr(part, change(content) if part == name else content)
    return path


def with_key(content, **changes):
    return json.dumps(json.loads(content) | changes).encode()


@pytest.mark.database("sqlite")
@pytest.mark.parametrize(
    ("part", "change", "why"),
    [
        ("trialog.db", lambda was: was[:-1] + b"x", "not those that its manifest tells of"),
        ("trialog.db", lambda was: was + b"x", "another size"),
        ("manifest.json", lambda _was: b"[]", "its manifest cannot be read"),
        ("manifest.json", lambda was: with_key(was, version=99), "another form"),
        ("manifest.json", lambda was: with_key(was, heads=3), "its manifest cannot be read"),
        ("manifest.json", lambda was: with_key(was, stray=3), "its manifest cannot be read"),
    ],
)  # fmt: skip
def test_a_backup_that_is_not_as_it_was_written_is_refused(made, tmp_path, part, change, why):
    changed = with_changed(made, part, change)
    with pytest.raises(InvalidValueError, match=why), unpack(changed, tmp_path):
        pass


@pytest.mark.database("sqlite")
def test_any_other_file_is_refused(made, tmp_path):
    cut = tmp_path / "cut.zip"
    cut.write_bytes(made.read_bytes()[:-900])
    empty = tmp_path / "empty.zip"
    zipfile.ZipFile(empty, "w").close()
    for path in (cut, empty):
        with pytest.raises(InvalidValueError, match="be a whole file that trialog backup wrote"), \
                unpack(path, tmp_path):  # fmt: skip
            pass


@pytest.mark.database("sqlite")
def test_whichever_byte_is_damaged_a_backup_is_refused_or_restored_as_it_was(filled, tmp_path, now):
    (tmp_path / "server").mkdir()
    (tmp_path / "server" / "secret_key").write_text("hush")
    made = make_backup(filled, tmp_path / "b.zip", now, keys=keys_of(tmp_path / "server"))
    whole, before = made.path.read_bytes(), rows_of(filled)
    chance = random.Random(20260302)
    # Where zip keeps its own facts each byte means something else.
    facts = range(whole.index(b"PK\1\2"), len(whole))
    places = [*chance.sample(range(len(whole)), 40), *chance.sample(facts, 70)]
    changed, refusals, came_through = tmp_path / "changed.zip", set(), 0
    for at in places:
        changed.write_bytes(with_byte(whole, at, whole[at] ^ chance.randrange(1, 256)))
        try:
            found = rows_in(changed, tmp_path / "data"), read_keys(changed)
        except InvalidValueError as error:
            refusals.add(error.field)
        else:
            came_through += 1
            assert found == (before, {"secret_key": b"hush"}), at
    assert refusals == {"backup"}
    assert came_through


@pytest.mark.database("sqlite")
@pytest.mark.parametrize("fault", [KeyError("a name"), RuntimeError("ours"), OSError("full")])
def test_a_fault_of_whoever_restores_is_none_of_the_backup(made, tmp_path, fault):
    with pytest.raises(type(fault)) as caught, unpack(made, tmp_path):
        raise fault
    assert caught.value is fault


@pytest.mark.database("sqlite")
def test_keys_go_along_when_asked_and_replace_none(filled, tmp_path, now):
    server, new = tmp_path / "server", tmp_path / "new"
    (server / "tls").mkdir(parents=True)
    (new / "tls").mkdir(parents=True)
    (server / "secret_key").write_text("old secret")
    (server / "tls" / "ca.pem").write_text("old authority")
    (server / "tls" / "Copy of ca.pem").write_text("somebody's own, which no server reads")
    (new / "secret_key").write_text("its own")
    made = make_backup(filled, tmp_path / "b.zip", now, keys=keys_of(server))
    assert put_keys(read_keys(made.path), new) == ["tls/ca.pem"]
    assert (new / "secret_key").read_text() == "its own"
    assert (new / "tls" / "ca.pem").read_text() == "old authority"
    assert (new / "tls" / "ca.pem").stat().st_mode & 0o777 == 0o600
    assert [path.name for path in (new / "tls").iterdir()] == ["ca.pem"]
    assert len(list(new.iterdir())) == 2


@pytest.mark.database("sqlite")
@pytest.mark.parametrize(
    "name", ["../evil", "tls/../../evil", "/etc/evil", "a/b/c", "tls/..x/../y"]
)
def test_a_key_stays_in_the_data_folder(made, tmp_path, name):
    changed = with_changed(made, "manifest.json", lambda was: with_key(was, keys=[name]))
    with pytest.raises(InvalidValueError, match="be one of the data folder's"):
        read_keys(changed)


def test_a_key_is_put_whole_or_not_at_all(tmp_path, monkeypatch):
    def full(_handle):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(OSError, match="No space left"):
        put_keys({"secret_key": b"hush"}, tmp_path)
    assert list(tmp_path.iterdir()) == []


BACK_UP = """
from datetime import UTC, datetime
from pathlib import Path
from trialog.records import copying
from trialog.records.copying import backups, tables
from trialog.records.database import make_engine

backups.PAGES = 1
tables.CHUNK = 2
copying.back_up(
    make_engine(sys.argv[1]), Path(sys.argv[2]), now=datetime.now(UTC), keys={},
    begin=lambda n: None, progress=stuck,
)
"""


@pytest.mark.parametrize("steps", [1, 12])
def test_a_killed_backup_leaves_no_file_under_its_name(filled, database, tmp_path, steps):
    path = tmp_path / "kept" / "b.zip"
    program = kill_at_step(steps, BACK_UP, database, str(path))
    assert program.returncode == -signal.SIGKILL
    assert not path.exists()


def smallest_files():
    """Let no file grow beyond what a few pages need, as on a disk that is full."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (120_000, 120_000))


@pytest.mark.database("sqlite")
def test_a_full_disk_is_named_and_leaves_nothing(filled, database, tmp_path):
    folder = tmp_path / "kept"
    words = [sys.executable, "-m", "trialog.cli", "backup", str(folder / "b.zip"),
             "--database", database]  # fmt: skip
    done = subprocess.run(words, preexec_fn=smallest_files, capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "the records could not be copied" in done.stderr
    assert list(folder.iterdir()) == []
