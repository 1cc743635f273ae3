"""Documents on paper: a PDF, made by a browser that is installed on this computer.

The browser is a Chromium or one of its family, run without a window. It gets a folder of its own
and the finished document, and no network; the document's own policy forbids every request as well.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from trialog.errors import InvalidValueError, PrinterBusyError, PrintingError
from trialog.languages import t
from trialog.reports.document import Document, Paper
from trialog.reports.documents import complete

BROWSER = "TRIALOG_BROWSER"
NAMES = ("chromium", "chromium-browser", "chrome")
"""What the browser is called where it is on the path; a relative of it is named in a setting."""

SECONDS = 60
"""Longest time for one document; the largest of the demo takes 3 s. Common practice, no source."""

SIZES: dict[Paper, str] = {"a4": "A4 portrait", "letter": "letter portrait"}

SWITCHES = (
    "--headless",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-domain-reliability",
    "--disable-extensions",
    "--disable-gpu",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--proxy-server=127.0.0.1:9",  # nobody listens there: what is not a file is not loaded
    "--no-default-browser-check",
    "--no-first-run",
    "--no-pdf-header-footer",
    "--user-agent=trialog",  # it stands in the PDF as what created it
    "--virtual-time-budget=10000",  # charts that wait for a moment have it before the print
)
KEPT_VARIABLES = ("PATH", "LANG", "LC_ALL", "SYSTEMROOT", "FONTCONFIG_FILE", "FONTCONFIG_PATH")
"""What the browser sees of the environment: nothing secret, such as the key of the sessions."""

MOST_AT_A_TIME, LONGEST_WAIT = 2, 10
"""One document is printed and one may wait, so many seconds: more would keep a server's threads
from those who log."""

_turn = threading.Lock()
_queue = threading.BoundedSemaphore(MOST_AT_A_TIME)


def print_pdf(document: Document, paper: Paper) -> bytes:
    """Print a document. Only one is printed at a time; one more may wait for it.

    Raises
    ------
    InvalidValueError
        If TRIALOG_BROWSER names nothing that can be run.
    PrintingError
        If there is no browser, or it made no PDF in time.
    PrinterBusyError
        If a document is being printed and another waits, or has waited for too long.
    """
    browser = find_browser()
    page = complete(document.html, paper=SIZES[paper])
    with _taking_turns(), _folder() as folder:
        source, target = folder / "document.html", folder / "document.pdf"
        source.write_text(page, encoding="utf-8")
        said = _run([
            browser, *SWITCHES, *_as_root(), f"--user-data-dir={folder / 'profile'}",
            f"--print-to-pdf={target}", source.as_uri(),
        ], folder)  # fmt: skip
        content = target.read_bytes() if target.is_file() else b""
    if not content.startswith(b"%PDF-"):
        raise _failed(t("it ended without one ({said})", said=said))
    return content


def find_browser() -> str:
    """Return the browser that prints: the one of TRIALOG_BROWSER, else one on the path.

    Raises
    ------
    InvalidValueError
        If TRIALOG_BROWSER names nothing that can be run.
    PrintingError
        If there is none.
    """
    if named := os.environ.get(BROWSER):
        found = shutil.which(named)
        if found is None:
            raise InvalidValueError(BROWSER, "be a browser that can be run", named)
        return found
    for name in NAMES:
        if found := shutil.which(name):
            return found
    raise PrintingError(
        t(
            "There is no browser on this computer that could make a PDF ({names}); name one in "
            "{setting}, or take the HTML document and print that from any browser.",
            names=", ".join(NAMES),
            setting=BROWSER,
        )
    )


def can_print() -> bool:
    """Say whether there is a browser to print with."""
    try:
        find_browser()
    except (InvalidValueError, PrintingError):
        return False
    return True


def _as_root() -> tuple[str, ...]:
    """Return the switch without which the browser refuses to run as root.

    Its sandbox needs a user other than root, so a server should not be run as root.
    """
    return ("--no-sandbox",) if hasattr(os, "geteuid") and os.geteuid() == 0 else ()


@contextmanager
def _taking_turns() -> Iterator[None]:
    if not _queue.acquire(blocking=False):
        raise _busy()
    try:
        if not _turn.acquire(timeout=LONGEST_WAIT):
            raise _busy()
        try:
            yield
        finally:
            _turn.release()
    finally:
        _queue.release()


@contextmanager
def _folder() -> Iterator[Path]:
    """Make a folder that only this user may look into, for the document and for the browser."""
    with tempfile.TemporaryDirectory(prefix="trialog-print-", ignore_cleanup_errors=True) as name:
        yield Path(name)


def _run(command: list[str], folder: Path) -> str:
    """Run the browser to its end, and return the last line that it said.

    It starts processes of its own, so they are a group, and end together when time is up.
    """
    environment = {name: os.environ[name] for name in KEPT_VARIABLES if name in os.environ}
    environment |= dict.fromkeys(("HOME", "USERPROFILE", "TMPDIR", "TEMP", "TMP"), str(folder))
    try:
        running = subprocess.Popen(  # noqa: S603 - the browser that the setting or the path names
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
            env=environment, start_new_session=True,
        )  # fmt: skip
    except OSError as error:
        raise _failed(str(error.strerror or error)) from error
    try:
        _, told = running.communicate(timeout=SECONDS)
    except subprocess.TimeoutExpired as error:
        raise _failed(t("it took longer than {seconds} s", seconds=SECONDS)) from error
    finally:
        _end(running)
    return told.decode(errors="replace").strip().rpartition("\n")[2][:200]


def _end(running: subprocess.Popen[bytes]) -> None:
    """End whatever the browser left running."""
    if hasattr(os, "killpg"):
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(running.pid, signal.SIGKILL)
    elif running.poll() is None:
        running.kill()
    running.wait()
    if running.stderr is not None:
        running.stderr.close()


def _busy() -> PrinterBusyError:
    return PrinterBusyError(
        t("A PDF is being made. Try again in a moment, or take the HTML document.")
    )


def _failed(why: str) -> PrintingError:
    return PrintingError(
        t(
            "The browser made no PDF: {why}. Take the HTML document and print that from any "
            "browser.",
            why=why,
        )
    )
