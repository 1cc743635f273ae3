"""Files that commands write: whole, or not at all."""

from __future__ import annotations

import os
import stat
import subprocess
import sys

import pytest

from trialog.cli.output import write_text
from trialog.errors import InvalidValueError

ENDLESS = """
import sys
from trialog.cli.output import write_text
def pieces():
    yield "new" * 100_000
    print("half", flush=True)
    sys.stdin.read()
write_text(sys.argv[1], pieces())
"""


@pytest.fixture
def target(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("old", encoding="utf-8")
    return path


def test_a_file_takes_the_place_of_the_old_one_and_keeps_its_rights(target):
    target.chmod(0o640)
    write_text(str(target), ["one,", "two\r\n"])
    assert target.read_bytes() == b"one,two\r\n"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    assert os.listdir(target.parent) == ["log.csv"]


def test_a_new_file_has_the_rights_of_any_new_file(tmp_path):
    ours, usual = tmp_path / "ours", tmp_path / "usual"
    write_text(str(ours), ["text"])
    usual.write_text("text")
    assert ours.stat().st_mode == usual.stat().st_mode


def test_a_fault_half_way_leaves_the_old_file_and_nothing_else(target):
    def pieces():
        yield "new"
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_text(str(target), pieces())
    assert target.read_text() == "old"
    assert os.listdir(target.parent) == ["log.csv"]


def test_a_full_disk_leaves_the_old_file_and_says_so(target, monkeypatch):
    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InvalidValueError, match="No space left on device"):
        write_text(str(target), ["new"])
    assert target.read_text() == "old"
    assert os.listdir(target.parent) == ["log.csv"]


def test_a_kill_half_way_leaves_the_old_file(target):
    with subprocess.Popen(
        [sys.executable, "-c", ENDLESS, target], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout.readline() == b"half\n"
        process.kill()
    assert target.read_text() == "old"


def test_a_link_stays_a_link(target, tmp_path):
    link = tmp_path / "link.csv"
    link.symlink_to(target)
    write_text(str(link), ["new"])
    assert link.is_symlink()
    assert target.read_text() == "new"


def test_what_is_no_file_is_written_to_and_not_replaced(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write_text(str(pipe), ["through"])
    assert os.read(reader, 100) == b"through"
    os.close(reader)
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.parametrize("name", ["", "missing/log.csv", "log.csv/inside"])
def test_a_place_that_cannot_be_written_is_named(target, name):
    place = str(target.parent / name)
    with pytest.raises(InvalidValueError, match="output file must be one that can be written"):
        write_text(place, ["new"])
    assert target.read_text() == "old"
