"""`serve --tls` and `demo --tls` as processes of their own."""

from __future__ import annotations

import hashlib
import re
import signal
import socket
import ssl
import stat

import pytest
from support.https import PATIENCE, ask

from trialog.cli.announcing import code_of
from trialog.feeds.demo import make_fresh_folder


@pytest.fixture
def serve(start, database, tmp_path):
    """Return the function that starts `serve --tls` on free ports."""

    def begin(*words, **variables):
        settings = {"TRIALOG_DATA_FOLDER": str(tmp_path / "data"), **variables}
        words = ("serve", "--tls", "--port", "0", "--database", database, *words)
        return start(*words, **settings)

    return begin


def announced(process):
    """Read what a process prints until it says how to stop it."""
    printed = ""
    for line in process.stdout:
        printed += line
        if line.startswith("Stop it with"):
            return printed
    pytest.fail(f"never served: {printed}{process.stderr.read()}")


def ports_in(printed):
    """Return the port of the app and the one of the page of trust."""
    app = re.search(r"https://localhost:(\d+)/", printed)
    trust = re.search(r"open http://127\.0\.0\.1:(\d+)/", printed)
    return int(app[1]), int(trust[1]) if trust else None


def get(port, path="/health", authority=None, name="localhost"):
    """Return the status and the body of an answer, by HTTPS where an authority is trusted."""
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE) as stream:
        if authority is None:
            return ask(stream, path)
        context = ssl.create_default_context(cadata=authority)
        with context.wrap_socket(stream, server_hostname=name) as secured:
            return ask(secured, path)


def ended(process, number=signal.SIGTERM):
    """Tell a process to end, and return what it still printed."""
    process.send_signal(number)
    out, err = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0, err
    return out, err


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_what_the_console_prints_is_what_a_tablet_needs(serve, tmp_path, number):
    process = serve()
    printed = announced(process)
    port, trust_port = ports_in(printed)
    status, authority = get(trust_port, "/trust/trialog-ca.crt")
    assert status == 200
    fingerprint = ":".join(re.findall(r"^  ((?:[0-9A-F]{2}:){15}[0-9A-F]{2})$", printed, re.M))
    assert fingerprint == hashlib.sha256(authority).digest().hex(":").upper()
    assert get(port, authority=authority) == (200, b'{"status":"ok"}\n')
    with socket.create_connection(("127.0.0.1", port)):  # one who never says anything
        out, err = ended(process, number)
    assert out.endswith("Stopped.\n")
    assert "Traceback" not in err


@pytest.mark.database("sqlite")
def test_a_restart_keeps_the_authority_that_tablets_trust(serve, tmp_path):
    first = serve()
    authority = get(ports_in(announced(first))[1], "/trust/trialog-ca.crt")[1]
    ended(first)
    second = serve("--tls-name", "cell3.example")
    port, _ = ports_in(announced(second))
    assert get(port, authority=authority, name="cell3.example")[0] == 200
    kept = tmp_path / "data" / "tls"
    assert stat.S_IMODE((kept / "authority.pem").stat().st_mode) == 0o600
    assert stat.S_IMODE((kept / "server.pem").stat().st_mode) == 0o600


@pytest.mark.database("sqlite")
def test_the_environment_serves_https_and_a_flag_wins(serve, start, database, tmp_path):
    settings = {
        "TRIALOG_TLS": "yes", "TRIALOG_TLS_NAMES": "cell3.example, 192.0.2.44",
        "TRIALOG_TRUST_PORT": "0", "TRIALOG_DATA_FOLDER": str(tmp_path / "data"),
    }  # fmt: skip
    process = start("serve", "--port", "0", "--database", database, **settings)
    printed = announced(process)
    port, trust_port = ports_in(printed)
    assert trust_port is None
    assert f"open https://127.0.0.1:{port}/trust" in printed
    authority = (tmp_path / "data" / "tls" / "trialog-ca.crt").read_bytes()
    for name in ("cell3.example", "192.0.2.44"):
        assert get(port, authority=authority, name=name)[0] == 200
    plain = start("serve", "--no-tls", "--port", "0", "--database", database, **settings)
    assert "http://127.0.0.1:" in announced(plain)


@pytest.mark.database("sqlite")
def test_only_this_computer_is_said_where_nobody_else_gets_in(serve):
    assert "--host 0.0.0.0 opens it" in announced(serve())


@pytest.mark.database("sqlite")
def test_a_pipe_gets_the_code_only_if_it_is_asked_for(serve):
    without = announced(serve())
    assert "█" not in without
    printed = announced(serve("--qr", PYTHONIOENCODING="utf-8"))
    page = re.search(r"open (http\S+)", printed)[1]
    assert code_of(page) in printed


@pytest.mark.database("sqlite")
def test_a_taken_trust_port_is_named_with_the_option_that_mends_it(serve):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        process = serve("--trust-port", port)
        _, err = process.communicate(timeout=60)
    assert process.returncode == 2
    assert f"port {port} on 127.0.0.1 is taken" in err
    assert "--trust-port" in err


@pytest.mark.database("sqlite")
def test_a_broken_authority_stops_the_start_in_one_line(serve, tmp_path):
    folder = tmp_path / "data" / "tls"
    folder.mkdir(parents=True)
    (folder / "authority.pem").write_bytes(b"half")
    (folder / "authority.pem").chmod(0o600)
    process = serve()
    _, err = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "HTTPS authority must be whole" in err
    assert str(folder / "authority.pem") in err
    assert "Traceback" not in err


@pytest.mark.database("sqlite")
@pytest.mark.parametrize("words", [("--tls-name", "a b"), ("--trust-port", "65536")])
def test_bad_input_is_refused(run, database, words):
    result = run("serve", "--tls", "--port", "0", "--database", database, *words)
    assert result.exit_code == 2


def test_the_demo_serves_https_and_keeps_its_authority(start, tmp_path):
    process = start("demo", "--tls", "--port", "0", TRIALOG_DATA_FOLDER=str(tmp_path))
    port, trust_port = ports_in(announced(process))
    authority = get(trust_port, "/trust/trialog-ca.crt")[1]
    assert get(port, authority=authority)[0] == 200
    ended(process)
    make_fresh_folder(tmp_path / "demo")  # what the next demo begins with
    assert (tmp_path / "demo" / "tls" / "trialog-ca.crt").read_bytes() == authority
