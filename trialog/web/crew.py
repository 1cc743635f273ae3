"""Several processes that serve one app together: one that dies is replaced, the ports stay open.

What each of them does is the caller's; here they are started, watched and ended. They are started
afresh instead of split off, so that no thread or connection is shared by accident.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import socket
import threading
import time
from multiprocessing.connection import wait
from multiprocessing.process import BaseProcess
from typing import Protocol

from trialog.errors import ConflictError
from trialog.web.journal.forms import FACTS
from trialog.web.server import listen

QUICK_SECONDS = 10
"""A process that ended sooner than this after its start will most likely do so again."""

MOST_QUICK = 5
PAUSE_SECONDS = 1.0
SPARE_SECONDS = 5
"""How long a process has beyond its own patience before it is killed."""

_log = logging.getLogger(__name__)
_fresh = multiprocessing.get_context("spawn")


class Work(Protocol):
    """What a process of the crew does until it is told to end; `first` is the first one of all."""

    def __call__(self, ports: SharedPorts | None, *, first: bool) -> None: ...


class SharedPorts:
    """Open ports that go along into other processes; asked for again, each is the same one."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, int, str], socket.socket] = {}

    def listen(self, host: str, port: int, *, option: str = "--port") -> socket.socket:
        """Open a port, or give another handle of it; see `server.listen`."""
        key = (host, port, option)
        if key not in self._open:
            self._open[key] = listen(host, port, option=option)
        return self._open[key].dup()

    def close(self) -> None:
        """Close them in this process."""
        for one in self._open.values():
            one.close()


class Crew:
    """So many processes at one piece of work. `patience`: seconds that one may take to end."""

    def __init__(self, count: int, work: Work, ports: SharedPorts, *, patience: float) -> None:
        self._count, self._work, self._ports = count, work, ports
        self._patience = patience + SPARE_SECONDS
        self._ending = threading.Event()
        self._processes: dict[BaseProcess, float] = {}
        self._quick = 0

    def end(self) -> None:
        """Ask all of them to end. Safe in a signal's handler."""
        self._ending.set()

    def run(self) -> None:
        """Keep the processes at work until they are asked to end; then wait for that.

        Raises
        ------
        ConflictError
            If they end as soon as they are started, again and again.
        """
        try:
            for number in range(self._count):
                self._start(first=number == 0)
            while not self._ending.is_set():
                self._look()
        finally:
            self._end_all()

    def _start(self, *, first: bool = False) -> None:
        process = _fresh.Process(target=_work, args=(self._work, self._ports, first))
        process.start()
        self._processes[process] = time.monotonic()

    def _look(self) -> None:
        """Wait a moment for one of them to end, and start another in its place."""
        wait([process.sentinel for process in self._processes], timeout=0.5)
        gone = [process for process in self._processes if not process.is_alive()]
        for process in gone:
            lived = time.monotonic() - self._processes.pop(process)
            self._quick = self._quick + 1 if lived < QUICK_SECONDS else 0
            if self._ending.is_set():
                return
            facts = {"process": process.pid, "code": process.exitcode}
            _log.error("a process of the server ended", extra={FACTS: facts})
            if self._quick >= MOST_QUICK:
                raise ConflictError("the server's processes end as soon as they begin; see its log")
            self._ending.wait(PAUSE_SECONDS)
            if not self._ending.is_set():
                self._start()

    def _end_all(self) -> None:
        for process in self._processes:
            process.terminate()
        until = time.monotonic() + self._patience
        for process in self._processes:
            process.join(max(until - time.monotonic(), 0))
            if process.is_alive():
                _log.error("a process did not end", extra={FACTS: {"process": process.pid}})
                process.kill()
                process.join()


def _work(work: Work, ports: SharedPorts, first: bool) -> None:
    """Do a process's part, in a group of its own: Ctrl-C goes to who started it, and once."""
    if hasattr(os, "setpgid"):
        os.setpgid(0, 0)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    work(ports, first=first)


def _end_with(parent: BaseProcess) -> None:
    """End when the process ends that started this one: nobody would watch it any more."""
    wait([parent.sentinel])
    os.kill(os.getpid(), signal.SIGTERM)
