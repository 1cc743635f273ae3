"""A cell's whole setup from a TOML file: devices, modes, requirement, trials and people."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.orm import Session

from trialog.errors import ConflictError, InvalidValueError
from trialog.evidence import define_requirement, start_trial
from trialog.feeds.toml_tables import TomlTable, read_toml
from trialog.records.models import Cell, Device, FailureMode, Person, Requirement, Trial
from trialog.records.people import add_person, check_sign_roles
from trialog.records.queries import find_trial, unknown_name
from trialog.records.setup import DEFAULT_MODES, NewRequirement, add_cell, add_device, add_mode
from trialog.records.words import Effect, PlanKind, Role, Stage

TABLES = ("cell", "devices", "requirement", "trials", "people")
CELL = (
    "name", "machine", "part", "operation", "planned_cycle_seconds", "counter_restarts_after",
    "machine_counts_good",
)  # fmt: skip
DEVICE = ("name", "share", "modes")
MODE = ("name", "effect")
REQUIREMENT = tuple(each.name for each in fields(NewRequirement))
TRIAL = ("name", "device", "stage", "plan", "good_pass", "share", "begins_at", "follows")
PERSON = ("name", "role", "pin")

T = TypeVar("T")


@dataclass
class SetupResult:
    """What a setup file added, and what was there already with the same content."""

    cell: Cell | None = None
    added: list[str] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)

    @property
    def in_words(self) -> str:
        """Say what was added and what was left as it is."""
        added = f"Added {', '.join(self.added)}." if self.added else "Nothing new in this file."
        kept = f" There already: {', '.join(self.kept)}." if self.kept else ""
        return added + kept


def load_setup(
    session: Session, content: bytes, *, actor: Person | None, now: datetime
) -> SetupResult:
    """Add what a setup file describes; what is there already with equal content stays.

    Must run in a unit of work, so that all of the file is loaded, or nothing.

    Raises
    ------
    InvalidValueError
        Naming the key, the rule and the value, if the file or a value in it breaks a rule.
    ConflictError
        If the records already hold something else under a name of the file.
    """
    return _Loading(session, read_toml(content, TABLES), actor, now).run()


class _Loading:
    """A setup file on its way into the records."""

    def __init__(
        self, session: Session, file: TomlTable, actor: Person | None, now: datetime
    ) -> None:
        self._session = session
        self._file = file
        self._by: dict[str, Any] = {"actor": actor, "now": now}
        self._result = SetupResult()
        self._shares: dict[str, float | None] = {}

    def run(self) -> SetupResult:
        """Load all of the file's tables, in the order in which they need each other."""
        people = self._file.tables("people", PERSON)
        devices = self._file.tables("devices", DEVICE)
        trials = self._file.tables("trials", TRIAL)
        cell_table = self._file.table("cell", CELL)
        requirement_table = self._file.table("requirement", REQUIREMENT)
        for person in people:
            self._person(person)
        if cell_table is None:
            if devices or trials or requirement_table is not None:
                raise InvalidValueError("[cell]", "be given where the file holds more of it", None)
            return self._result
        cell = self._result.cell = self._cell(cell_table)
        for device in devices:
            self._device(cell, device, alone=len(devices) == 1)
        requirement = None
        if requirement_table is not None:
            requirement = self._requirement(cell, requirement_table)
        for trial in trials:
            self._trial(cell, requirement, trial)
        return self._result

    def _keep_or_add(
        self, what: str, found: T | None, wanted: Mapping[str, object], add: Callable[[], T]
    ) -> T:
        """Return what is there, if it agrees with the file, or else add it."""
        if found is None:
            self._result.added.append(what)
            return add()
        for name, value in wanted.items():
            stored = getattr(found, name)
            if stored != value:
                raise ConflictError(
                    f"{what} is there already with {name} {_plain(stored)}, "
                    f"but the file says {_plain(value)}"
                )
        self._result.kept.append(what)
        return found

    def _named(self, table: type[T], name: str, **where: int) -> T | None:
        return self._session.scalar(select(table).filter_by(name=name.strip(), **where))

    def _person(self, table: TomlTable) -> None:
        name, role, pin = table.text("name"), table.word("role", Role), table.text("pin")
        # A PIN is not compared: its owner may have changed it since.
        self._keep_or_add(
            f"person {name!r}", self._named(Person, name), {"role": role},
            lambda: add_person(self._session, name, role, pin, **self._by),
        )  # fmt: skip

    def _cell(self, table: TomlTable) -> Cell:
        name = table.text("name")
        wanted: dict[str, Any] = {
            "machine": table.text("machine"),
            "part": table.text("part"),
            "operation": table.text("operation"),
            "planned_cycle_seconds": table.number("planned_cycle_seconds"),
            "counter_modulus": table.optional_whole("counter_restarts_after"),
        }
        if "machine_counts_good" in table:
            wanted["good_by_machine"] = table.flag("machine_counts_good") or None
        return self._keep_or_add(
            f"cell {name!r}", self._named(Cell, name), _stripped(wanted),
            lambda: add_cell(self._session, name=name, **wanted, **self._by),
        )  # fmt: skip

    def _device(self, cell: Cell, table: TomlTable, *, alone: bool) -> None:
        name = table.text("name")
        self._shares[name.strip()] = table.optional_number("share")
        found = self._named(Device, name, cell_id=cell.id)
        device = self._keep_or_add(
            f"device {name!r}", found, {},
            lambda: add_device(self._session, cell, name, **self._by),
        )  # fmt: skip
        if "modes" in table:
            for mode in table.tables("modes", MODE):
                self._mode(device, mode.text("name"), mode.word("effect", Effect))
            return
        if not alone:
            raise InvalidValueError(
                f"{table.where} modes",
                "be given where a cell has several devices (the defaults go to a single one)",
                None,
            )
        for mode_name, effect in DEFAULT_MODES if found is None else ():
            self._mode(device, mode_name, effect)

    def _mode(self, device: Device, name: str, effect: Effect) -> None:
        self._keep_or_add(
            f"failure mode {name!r}",
            self._named(FailureMode, name, cell_id=device.cell_id),
            {"device": device, "effect": effect},
            lambda: add_mode(self._session, device, name, effect, **self._by),
        )

    def _requirement(self, cell: Cell, table: TomlTable) -> Requirement:
        name = table.text("name")
        wanted: dict[str, Any] = {
            key: table.number(key)
            for key in ("stretch_hours", "chance", "confidence", "design_rate")
        }
        wanted |= {
            key: table.whole(key) for key in REQUIREMENT if key.startswith("min_") and key in table
        }
        signs: dict[str, Any] = (
            {"sign_roles": table.words("sign_roles", Role)} if "sign_roles" in table else {}
        )
        new = NewRequirement(name=name, **wanted, **signs)
        wanted |= {key: check_sign_roles(roles) for key, roles in signs.items()}
        return self._keep_or_add(
            f"requirement {name!r}", self._named(Requirement, name, cell_id=cell.id), wanted,
            lambda: define_requirement(self._session, cell, new, **self._by),
        )  # fmt: skip

    def _trial(self, cell: Cell, requirement: Requirement | None, table: TomlTable) -> None:
        if requirement is None:
            raise InvalidValueError("[requirement]", "be given where the file holds trials", None)
        name, device = table.text("name"), self._device_of(cell, table)
        fixed: dict[str, Any] = {
            "stage": table.word("stage", Stage),
            "plan_kind": table.word("plan", PlanKind),
        }
        chosen: dict[str, Any] = {
            "share": self._share(table, device),
            "good_pass": table.optional_number("good_pass"),
            "begins_at": table.optional_time("begins_at"),
        }
        wanted = {
            "cell": cell,
            "device": device,
            "requirement": requirement,
            **fixed,
            **{key: value for key, value in chosen.items() if value is not None},
        }
        former = self._former(table)
        if former is not None:
            wanted["follows_id"] = former.id
        self._keep_or_add(
            f"trial {name!r}", self._named(Trial, name), wanted,
            lambda: start_trial(
                self._session, requirement, name=name, device=device, follows=former,
                **fixed, **chosen, **self._by,
            ),
        )  # fmt: skip

    def _device_of(self, cell: Cell, table: TomlTable) -> Device | None:
        name = table.optional_text("device")
        if name is None:
            return None
        device = self._named(Device, name, cell_id=cell.id)
        if device is None:
            on_cell = select(Device.name).where(Device.cell_id == cell.id)
            raise unknown_name("device", name, self._session.scalars(on_cell).all())
        return device

    def _former(self, table: TomlTable) -> Trial | None:
        """Return the trial that one goes on from; it stands above it, or in the records."""
        name = table.optional_text("follows")
        return None if name is None else find_trial(self._session, name)

    def _share(self, table: TomlTable, device: Device | None) -> float | None:
        """Return a trial's own share of the limit, or its device's."""
        own = table.optional_number("share")
        return self._shares.get(device.name) if own is None and device is not None else own


def _stripped(values: Mapping[str, object]) -> dict[str, object]:
    """Return values as they are stored: names without outer blanks."""
    return {
        key: value.strip() if isinstance(value, str) else value for key, value in values.items()
    }


def _plain(value: object) -> str:
    """Write a value as a person would know it."""
    if isinstance(value, Cell | Device | Requirement):
        return repr(value.name)
    if isinstance(value, datetime):
        return repr(value.isoformat())
    return repr(value.value if isinstance(value, StrEnum) else value)
