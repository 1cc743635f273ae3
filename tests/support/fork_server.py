"""A process that has imported trialog and waits: each life of a server is a fork of it.

Imports are nine tenths of a start, and the same each time. From the fork on a life has memory,
files and connections of its own, as any process has.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import psutil


class ForkServer:
    """Begins trialog's commands within a fraction of a second; end it when all of them ended."""

    def __init__(self):
        # A fork has one thread only: none of the numbers' libraries may count on more.
        environment = os.environ | {"PYTHONUNBUFFERED": "1", "OPENBLAS_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__))], env=environment, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip

    def begin(self, words, environment, log):
        """Begin `trialog WORDS`, with what it says in a file, and return its process."""
        order = {"words": list(map(str, words)), "environment": environment, "log": str(log)}
        print(json.dumps(order), file=self._process.stdin, flush=True)
        return Life(int(self._process.stdout.readline()))

    def end(self):
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()


class Life:
    """A process that a fork server began, as `subprocess.Popen` has those of one's own."""

    def __init__(self, pid):
        self.pid = pid
        self._process = psutil.Process(pid)

    def poll(self):
        return None if self._process.is_running() else 1

    def kill(self):
        with suppress(psutil.NoSuchProcess):
            self._process.kill()

    def terminate(self):
        self._process.terminate()

    def wait(self, timeout=None):
        self._process.wait(timeout)


def _import_all():
    import trialog.cli.serving  # noqa: PLC0415 - by the process that waits, and by no test
    import trialog.web  # noqa: PLC0415

    for room in pkgutil.iter_modules(trialog.web.__path__):
        importlib.import_module(f"trialog.web.{room.name}")


def _live(order):
    """Be the process that was asked for."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    os.environ.clear()
    os.environ.update(order["environment"])
    for handle, path, how in (
        (0, os.devnull, os.O_RDONLY),
        (1, order["log"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC),
    ):
        os.dup2(os.open(path, how, 0o600), handle)
    os.dup2(1, 2)
    sys.argv = ["trialog", *order["words"]]
    trialog = importlib.import_module("trialog.cli")
    trialog.main()


def _wait_for_orders():
    _import_all()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # whoever was killed is gone at once
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            _live(json.loads(line))
        print(pid, flush=True)


if __name__ == "__main__":
    _wait_for_orders()
