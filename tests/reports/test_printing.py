"""How a PDF comes about: which browser, what it may see, and what is said where none is made."""

from __future__ import annotations

import os
import stat
import threading
from datetime import UTC, datetime

import pytest
from support.waiting import until

from trialog.errors import InvalidValueError, PrinterBusyError, PrintingError
from trialog.reports import printing
from trialog.reports.document import Document

PLAIN = '<html lang="en"><head><!--policy--></head><body>{}</body></html>'

ARGUMENTS = """
for word in "$@"; do
  case "$word" in
    --print-to-pdf=*) target=${word#--print-to-pdf=} ;;
    --user-data-dir=*) profile=${word#--user-data-dir=} ;;
  esac
done
"""


@pytest.fixture
def document():
    """Return a small document."""
    return Document(
        kind="shift", stem="shift-1", title="Shift", about="", sentence="", language="en",
        produced_at=datetime(2026, 3, 2, tzinfo=UTC), clock=UTC, zone="UTC",
        html=PLAIN.format("words"), tables=(), data={}, cautions=(), methods=(),
    )  # fmt: skip


@pytest.fixture
def browser(tmp_path, monkeypatch):
    """Return what puts a script in the browser's place."""

    def put(script):
        path = tmp_path / "browser"
        path.write_text(f"#!/bin/sh\n{ARGUMENTS}\n{script}\n", encoding="utf-8")
        path.chmod(path.stat().st_mode | stat.S_IXUSR)
        monkeypatch.setenv(printing.BROWSER, str(path))
        return path

    return put


def test_a_browser_that_the_setting_names_comes_first(browser):
    path = browser("exit 0")
    assert printing.find_browser() == str(path)
    assert printing.can_print()


def test_a_setting_that_names_no_browser_is_refused(monkeypatch):
    monkeypatch.setenv(printing.BROWSER, "/nowhere/browser")
    with pytest.raises(InvalidValueError, match="TRIALOG_BROWSER must be a browser that can be"):
        printing.find_browser()
    assert not printing.can_print()


def test_without_a_browser_html_is_offered(monkeypatch, document):
    monkeypatch.setattr(printing, "NAMES", ("no-such-browser",))
    with pytest.raises(PrintingError, match=r"no browser .*\(no-such-browser\).* HTML document"):
        printing.print_pdf(document, "a4")
    assert not printing.can_print()


def test_the_browser_sees_the_document_and_no_secret(browser, document, monkeypatch):
    monkeypatch.setenv("TRIALOG_SECRET_KEY", "nobody's business")
    browser('{ echo "%PDF-"; env; for word in "$@"; do echo "$word"; done; } >"$target"')
    told = printing.print_pdf(document, "letter").decode()
    assert "SECRET" not in told
    assert "nobody's business" not in told
    switches = told.splitlines()
    assert ("--no-sandbox" in switches) == (os.geteuid() == 0)
    assert "--host-resolver-rules=MAP * ~NOTFOUND" in switches
    assert switches[-1].startswith("file:///")
    assert any(line.startswith("HOME=") and "trialog-print-" in line for line in switches)


def test_the_page_carries_its_paper_and_its_rules(browser, document):
    browser('{ echo "%PDF-"; cat "$(dirname "$target")/document.html"; } >"$target"')
    told = printing.print_pdf(document, "letter").decode()
    assert '<html class="on-paper" lang="en">' in told
    assert "@page { size: letter portrait; }" in told
    assert "default-src 'none'" in told


def test_only_its_user_may_look_into_the_folder_and_nothing_is_left(browser, document, tmp_path):
    left = tmp_path / "left"
    browser(
        f'mkdir "$profile"; echo "$(dirname "$target")" >{left};'
        ' { echo "%PDF-"; ls -ld "$(dirname "$target")"; } >"$target"'
    )
    told = printing.print_pdf(document, "a4").decode()
    assert told.splitlines()[1].startswith("drwx------")
    assert not os.path.exists(left.read_text(encoding="utf-8").strip())


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("exit 3", "it ended without one"),
        ('echo "no display" >&2; exit 1', r"it ended without one \(no display\)"),
        ('echo "not a PDF" >"$target"', "it ended without one"),
    ],
)
def test_a_browser_that_makes_none_is_told_of(browser, document, script, said):
    browser(script)
    with pytest.raises(PrintingError, match=said + ".* Take the HTML document"):
        printing.print_pdf(document, "a4")


def test_a_browser_that_cannot_be_run_is_told_of(browser, document):
    browser("exit 0").write_bytes(b"\x7fELF and nothing more")
    with pytest.raises(PrintingError, match="The browser made no PDF: "):
        printing.print_pdf(document, "a4")


def test_a_browser_that_never_ends_is_ended_with_all_it_started(
    browser, document, monkeypatch, tmp_path
):
    monkeypatch.setattr(printing, "SECONDS", 1.5)
    child = tmp_path / "child"
    browser(f"sleep 300 & echo $! >{child}; wait")
    with pytest.raises(PrintingError, match=r"it took longer than 1\.5 s"):
        printing.print_pdf(document, "a4")
    until(lambda: gone(int(child.read_text(encoding="utf-8"))))


def gone(process):
    """Whether a process does nothing any more; one that ended may not be collected yet."""
    try:
        with open(f"/proc/{process}/stat", encoding="utf-8") as file:
            return file.read().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


def test_one_document_is_printed_at_a_time_and_one_waits(browser, document, tmp_path):
    busy, go = tmp_path / "busy", tmp_path / "go"
    browser(
        f"mkdir {busy} || exit 1; until [ -e {go} ]; do sleep 0.01; done; "
        f'rmdir {busy}; echo "%PDF-" >"$target"'
    )
    made = []
    threads = [
        threading.Thread(target=lambda: made.append(printing.print_pdf(document, "a4")))
        for _ in range(printing.MOST_AT_A_TIME)
    ]
    for thread in threads:
        thread.start()
    until(lambda: printing._queue._value == 0)
    with pytest.raises(PrinterBusyError, match="A PDF is being made"):
        printing.print_pdf(document, "a4")
    go.touch()
    for thread in threads:
        thread.join()
    assert made == [b"%PDF-\n"] * printing.MOST_AT_A_TIME


def test_nobody_waits_longer_than_is_said(document, monkeypatch):
    monkeypatch.setattr(printing, "LONGEST_WAIT", 0.05)
    with printing._turn, pytest.raises(PrinterBusyError, match="take the HTML document"):
        printing.print_pdf(document, "a4")
    assert printing._queue._value == printing.MOST_AT_A_TIME, "and leaves the queue"
