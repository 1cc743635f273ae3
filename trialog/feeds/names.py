"""The names that a file may use on a cell: its people, devices, failure modes and tablets."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import count

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.errors import UnknownNameError
from trialog.records.entries import check_name
from trialog.records.models import Cell, Device, FailureMode, Person, Tablet
from trialog.records.queries import unknown_name

MOST_HINTS = 200
"""After so many unknown names no further likeness is looked for; it takes too long."""


@dataclass
class Names:
    """Ids by name, and the errors for names that are not there."""

    people: Mapping[str, int]
    devices: Mapping[str, int]
    modes: Mapping[str, int]
    device_of_mode: Mapping[int, int]
    tablets: dict[str, int]
    new_tablets: dict[str, int] = field(default_factory=dict)
    """Tablets that the file names and the records do not know, by numbers below 0 that stand for
    them until they are added."""

    entered_tablets: dict[int, int] = field(default_factory=dict)
    """Those that are added, by the numbers that stood for them: lines read before still have
    these."""

    _stand_ins: Iterator[int] = field(default_factory=lambda: count(-1, -1))
    _rules: dict[tuple[str, str], str] = field(default_factory=dict)

    @classmethod
    def of(cls, session: Session, cell: Cell) -> Names:
        """Read the names from the records; people who have left may stand in old logs too."""
        modes = session.execute(
            select(FailureMode.name, FailureMode.id, FailureMode.device_id)
            .where(FailureMode.cell_id == cell.id)
            .order_by(FailureMode.device_id, FailureMode.id)
        ).all()
        people = select(Person.name, Person.id)
        devices = select(Device.name, Device.id).where(Device.cell_id == cell.id)
        tablets = select(Tablet.name, Tablet.id)
        return cls(
            people={name: row_id for name, row_id in session.execute(people)},
            devices={name: row_id for name, row_id in session.execute(devices)},
            modes={name: mode_id for name, mode_id, _ in modes},
            device_of_mode={mode_id: device_id for _, mode_id, device_id in modes},
            tablets={name: row_id for name, row_id in session.execute(tablets)},
        )

    def person(self, name: str) -> int:
        """Return the id of a person."""
        return self._find("person", name, self.people)

    def device(self, name: str) -> int:
        """Return the id of a device of the cell."""
        return self._find("device", name, self.devices)

    def mode(self, name: str) -> int:
        """Return the id of a failure mode of the cell."""
        return self._find("failure mode", name, self.modes)

    def tablet(self, name: str) -> int:
        """Return the id of a tablet, or what stands for one that is new to the records."""
        known = self.tablets.get(name)
        if known is not None:
            return known
        return self.new_tablets.setdefault(check_name("tablet", name), next(self._stand_ins))

    def know(self, tablets: Mapping[str, int]) -> None:
        """Take note of tablets that have been added to the records."""
        self.tablets.update(tablets)
        self.entered_tablets |= {self.new_tablets.pop(name): tablets[name] for name in tablets}

    def _find(self, kind: str, name: str, known: Mapping[str, int]) -> int:
        found = known.get(name)
        if found is not None:
            return found
        if (kind, name) not in self._rules:
            near = tuple(known) if len(self._rules) < MOST_HINTS else ()
            self._rules[kind, name] = unknown_name(kind, name, near).rule
        raise UnknownNameError(kind, self._rules[kind, name], name)
