"""A plant: cells with tablets that log over HTTP, and what became of all that they logged.

Each tablet keeps its own record of what was acknowledged. `differences` holds the logbook to it.
"""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime

from sqlalchemy import func, select
from support.cells import make_cell
from support.people import NAMES
from support.wire import Wire

from trialog.records.database import unit_of_work
from trialog.records.models import CellRollup, Entry, Person
from trialog.records.people import add_person
from trialog.records.tablets import enrol, make_code
from trialog.records.verify import verify
from trialog.records.words import Role

ENTRIES = "/api/tablet/entries"
AT_ONCE = 50
"""How many lines a tablet sends in one request."""

PAUSE = 0.2
SHIFT = "early"


@dataclass
class PlantTablet:
    """A tablet of the plant: what it made, what still waits, and what was acknowledged.

    `asked` counts its requests, `asking` says whether the last one is under way, `unanswered`
    numbers those that came to nothing. `untold` are lines that one of these had written after all.
    """

    name: str
    key: str
    cell: int
    person: int
    modes: tuple[int, ...]
    made: dict = field(default_factory=dict)
    waiting: list = field(default_factory=list)
    acknowledged: dict = field(default_factory=dict)
    parked: list = field(default_factory=list)
    seen: int = 0
    asked: int = 0
    asking: bool = False
    unanswered: set = field(default_factory=set)
    untold: set = field(default_factory=set)

    def tap(self, kind, **fields):
        """Make a line as the page does, and let it wait to be sent."""
        number, now = len(self.made) + 1, datetime.now(UTC).isoformat()
        line = {
            "client_id": f"{self.name}-{number}", "kind": kind, "shift": SHIFT, "number": number,
            "tablet_time": now, "time": now, "person": self.person, "seen": self.seen,
            **fields,
        }  # fmt: skip
        self.made[line["client_id"]] = line
        self.waiting.append(line)

    def tap_cycle(self, chance):
        """Tap a good cycle, or now and then a failed one."""
        if chance.random() < 0.01:
            self.tap("failed", modes=[chance.choice(self.modes)])
        else:
            self.tap("good", cycles=1)

    async def send(self, wire):
        """Send what waits, oldest first, and let go of what is acknowledged.

        Raises
        ------
        OSError
            If the server is out of reach, or answers that it cannot now.
        """
        lines = self.waiting[:AT_ONCE]
        body = {"cell": self.cell, "clock": datetime.now(UTC).isoformat(), "entries": lines}
        answer = await self._ask(wire, body)
        for one in answer["entries"]:
            if one["status"] == "parked":
                self.parked.append(one)
            else:
                self.acknowledged[one["client_id"]] = one["sequence"]
            if one["status"] == "repeated":
                self.untold.add(one["client_id"])
        self.seen = answer["state"]["sequence"] if answer["state"] else self.seen
        del self.waiting[: len(lines)]

    async def _ask(self, wire, body):
        self.asked, self.asking = self.asked + 1, True
        try:
            status, answer = await wire.post(ENTRIES, self.key, body)
            if status != 200:
                raise ConnectionError(f"{status}: {answer}")
        except OSError:
            self.unanswered.add(self.asked)
            raise
        finally:
            self.asking = False
        return answer

    async def drain(self, wire, times=None):
        """Send until nothing waits, whatever befalls the server; note how long each answer took."""
        while self.waiting:
            begun = time.perf_counter()
            try:
                await self.send(wire)
            except OSError:
                for line in self.waiting:
                    line.setdefault("waited", True)
                await asyncio.sleep(PAUSE)
            else:
                if times is not None:
                    times.append(time.perf_counter() - begun)


def make_plant(sessions, *, cells, tablets):
    """Add cells with so many tablets each, and an open shift on every cell once they drain."""
    made = []
    now = datetime.now(UTC)
    with sessions() as session:
        with unit_of_work(session):
            engineer = add_person(
                session, NAMES[Role.ENGINEER], Role.ENGINEER, "1846", actor=None, now=now
            )
        for number in range(cells):
            with unit_of_work(session):
                made += _cell(session, session.get_one(Person, engineer.id), number, tablets, now)
    return made


def _cell(session, engineer, number, tablets, now):
    cell = make_cell(session, now, f"cell {number}")
    modes = (cell.dropped.id, cell.slow.id, cell.missed.id)
    for place in range(tablets):
        name = f"t{number}-{place}"
        code = make_code(session, name=name, cell=cell.cell, actor=engineer, now=now)
        _, key = enrol(session, code, now=now)
        yield PlantTablet(name, key, cell.id, engineer.id, modes)


def open_shifts(plant):
    """Let one tablet of each cell open its shift."""
    for tablet in {tablet.cell: tablet for tablet in reversed(plant)}.values():
        tablet.tap("open", stage="by hand", counter=0)


async def drain_all(plant, port):
    """Let all tablets send all that waits, each on a connection of its own; return the times."""
    wires, times = [Wire(port) for _ in plant], []
    await asyncio.gather(
        *(tablet.drain(wire, times) for tablet, wire in zip(plant, wires, strict=True))
    )
    for wire in wires:
        wire.close()
    return times


def differences(sessions, plant):
    """List what is lost, doubled, in wrong order or added up wrongly; nothing if all is well."""
    found = []
    with sessions() as session:
        rows = session.execute(
            select(Entry.client_id, Entry.sequence, Entry.tablet_id).order_by(
                Entry.cell_id, Entry.sequence
            )
        ).all()
        stored = Counter(client_id for client_id, _, _ in rows)
        places = {client_id: sequence for client_id, sequence, _ in rows}
        numbers = {}
        for client_id, _, tablet_id in rows:
            number = int(client_id.rpartition("-")[2])
            if number <= numbers.get(tablet_id, 0):
                found.append(f"{client_id} comes after number {numbers[tablet_id]}")
            numbers[tablet_id] = number
        for tablet in plant:
            found += [f"{tablet.name} had parked: {one}" for one in tablet.parked]
            found += [
                f"{client_id} was acknowledged as {sequence}, is {places.get(client_id)}"
                for client_id, sequence in tablet.acknowledged.items()
                if places.get(client_id) != sequence
            ]
        made = {client_id for tablet in plant for client_id in tablet.made}
        found += [f"{client_id} is there {n} times" for client_id, n in stored.items() if n > 1]
        found += [f"nobody made {client_id}" for client_id in stored.keys() - made]
        lines = [line for tablet in plant for line in tablet.made.values()]
        lines = [line for line in lines if line["client_id"] in stored]
        undone = {line["target"] for line in lines if line["kind"] == "undo"}
        cycles = sum(
            line.get("cycles", 1) for line in lines
            if line["kind"] in ("good", "failed") and line["client_id"] not in undone
        )  # fmt: skip
        added_up = session.scalar(select(func.sum(CellRollup.logged))) or 0
        if added_up != cycles:
            found.append(f"{cycles} cycles were logged, the rollups say {added_up}")
        session.rollback()
        found += [str(difference) for difference in verify(session)]
    return found
