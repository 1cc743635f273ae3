"""`trialog serve` as a process that a test may kill and start again at the same address."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from pathlib import Path

PATIENCE = 60
SKEWED = Path(__file__).with_name("skewed.py")
ADDRESS = re.compile(r"http://127\.0\.0\.1:(\d+)/")


class KillableServer:
    """The real server on a database; it keeps its port and its secret key from life to life.

    `clock`: a file that says how many seconds its clock is ahead, see `skewed`. `forks`: a
    `ForkServer` that spares each life its imports.
    """

    def __init__(self, database, folder, *options, clock=None, forks=None):
        self.port = 0
        self._forks = forks
        self._program = ["-m", "trialog.cli"] if clock is None else [SKEWED, clock]
        self._options = options
        self._log = folder / "serve.log"
        self._environment = {
            **{name: word for name, word in os.environ.items() if not name.startswith("TRIALOG_")},
            "PYTHONUNBUFFERED": "1",
            "TRIALOG_DATABASE_URL": database,
            "TRIALOG_DATA_FOLDER": str(folder / "data"),
        }
        self._process = None

    def begin(self):
        """Start the process without waiting for it."""
        words = ["serve", "--port", str(self.port), *self._options]
        if self._forks is not None:
            self._log.unlink(missing_ok=True)
            self._process = self._forks.begin(words, self._environment, self._log)
            return
        with self._log.open("w") as log:
            self._process = subprocess.Popen(
                [sys.executable, *self._program, *words],
                env=self._environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip

    def await_answers(self):
        """Wait until the process listens."""
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end:
            if found := ADDRESS.search(self.said()):
                self.port = int(found[1])
                return
            if self._process.poll() is not None:
                break
            time.sleep(0.02)
        raise AssertionError(f"the server does not start:\n{self.said()}")

    @property
    def pid(self):
        return self._process.pid

    def said(self):
        """Return what it has printed so far."""
        return self._log.read_text() if self._log.exists() else ""

    def start(self):
        self.begin()
        self.await_answers()

    def kill(self):
        """End the process at once, whatever it is doing."""
        self._process.kill()
        self._process.wait()

    def stop(self):
        """End it as somebody at its keyboard would, and hold it to a clean log."""
        if self._process.poll() is None:
            self._process.terminate()
            self._process.wait(PATIENCE)
        assert "Traceback" not in (log := self._log.read_text()), log
