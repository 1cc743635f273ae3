"""`serve` and `demo` as processes of their own: they answer, and end when told to."""

from __future__ import annotations

import json
import re
import signal
import socket
import urllib.request

import pytest

from trialog.feeds.demo import MARKER, log_lines
from trialog.records.feeds import NewFeed, add_feed
from trialog.records.words import FeedMode


@pytest.fixture
def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


@pytest.fixture
def silent_feed(session, cell, now):
    """Let there be a machine that nobody listens to."""
    new = NewFeed(
        url="http://127.0.0.1:9", device=None, count_item="c", state_item=None,
        mode=FeedMode.POLLING,
    )  # fmt: skip
    add_feed(session, cell.cell, new, actor=None, now=now)
    session.commit()


def address_in(process):
    """Read what a process prints until it has printed its address."""
    printed = ""
    for line in process.stdout:
        printed += line
        if found := re.search(r"http://\S+", line):
            return found[0], printed
    pytest.fail(f"no address printed: {printed}{process.stderr.read()}")


def health(address):
    with urllib.request.urlopen(f"{address}health", timeout=30) as answer:  # noqa: S310 - loopback
        return json.load(answer)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_serve_answers_and_ends_cleanly(start, database, tmp_path, number):
    process = start(
        "serve", "--port", "0", "--database", database, TRIALOG_DATA_FOLDER=str(tmp_path / "data")
    )
    address, _ = address_in(process)
    assert health(address) == {"status": "ok"}
    process.send_signal(number)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 0
    assert out.endswith("Stopped.\n")
    assert "Traceback" not in err


@pytest.mark.database("sqlite")
def test_serve_takes_host_and_port_from_the_environment_and_a_flag_wins(
    start, database, tmp_path, free_port, silent_feed
):
    settings = {
        "TRIALOG_DATABASE_URL": database, "TRIALOG_DATA_FOLDER": str(tmp_path / "data"),
        "TRIALOG_HOST": "127.0.0.1", "TRIALOG_PORT": str(free_port),
    }  # fmt: skip
    process = start("serve", **settings)
    address, printed = address_in(process)
    assert address == f"http://127.0.0.1:{free_port}/"
    assert "1 machine to be listened to, and nobody does." in printed
    taken = start("serve", **settings)
    _, err = taken.communicate(timeout=60)
    assert taken.returncode == 2
    assert f"port {free_port} on 127.0.0.1 is taken" in err
    other = start("serve", "--port", "0", **settings)
    assert address_in(other)[0] != f"http://127.0.0.1:{free_port}/"


def test_demo_loads_serves_and_ends_cleanly(start, tmp_path):
    process = start("demo", "--port", "0", TRIALOG_DATA_FOLDER=str(tmp_path))
    address, printed = address_in(process)
    assert "Loading three weeks of shifts" in printed
    assert re.search(r"Edda Thornquill +engineer +PIN 2641", printed)
    assert "Everything in it is invented." in printed
    assert health(address) == {"status": "ok"}
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=30)
    assert process.returncode == 0
    assert (tmp_path / "demo" / MARKER).is_file()


def test_demo_refuses_a_taken_port_before_it_clears_anything(run, tmp_path, free_port):
    folder = tmp_path / "demo"
    folder.mkdir()
    (folder / MARKER).write_text("")
    (folder / "trialog.db").write_text("yesterday's")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        result = run("demo", "--folder", folder, "--port", port)
    assert result.exit_code == 2
    assert f"port {port} on 127.0.0.1 is taken" in result.stderr
    assert (folder / "trialog.db").read_text() == "yesterday's"


def test_demo_leaves_a_folder_alone_that_no_demo_made(run, tmp_path):
    (tmp_path / "trialog.db").write_text("the shop's own")
    result = run("demo", "--folder", tmp_path, "--no-serve")
    assert result.exit_code == 2
    assert "holds files that no demo made" in result.stderr
    assert (tmp_path / "trialog.db").read_text() == "the shop's own"


def test_demo_is_made_anew_each_time_and_keeps_to_its_folder(run, tmp_path, monkeypatch):
    monkeypatch.setenv("TRIALOG_DATABASE_URL", f"sqlite:///{tmp_path / 'shop.db'}")
    short = log_lines()[:200]  # the whole log is loaded elsewhere
    for module in ("trialog.feeds.demo", "trialog.cli.demo"):
        monkeypatch.setattr(f"{module}.log_lines", lambda: short)
    folder = tmp_path / "demo"
    for _ in range(2):
        result = run("demo", "--folder", folder, "--no-serve")
        assert result.exit_code == 0, result.output
    assert not (tmp_path / "shop.db").exists()
    found = run("verify", "--json", "--database", f"sqlite:///{folder / 'trialog.db'}")
    assert json.loads(found.stdout)["cells"] == 1
