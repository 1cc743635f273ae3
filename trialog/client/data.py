"""What a server answers with, as frozen dataclasses."""

from __future__ import annotations

import types
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import datetime
from typing import Any, Required, TypedDict, TypeVar, Union, get_args, get_origin, get_type_hints

from trialog.client.problems import Problem

T = TypeVar("T")


class NewLine(TypedDict, total=False):
    """A line for the logbook; which fields a kind takes is told in the help on the API."""

    client_id: Required[str]
    kind: Required[str]
    shift: str
    time: str
    person: int
    text: str
    reason: str
    stage: str
    counter: int
    counter_event: str
    mismatch_accepted: bool
    cycles: int
    cycle_number: int
    modes: list[int]
    clear_seconds: int
    condition: str
    reading: str
    target: str
    photo: str
    failure_mode: int
    relevant: bool
    cause: str
    device: int
    resets_evidence: bool


@dataclass(frozen=True)
class Named:
    """Something by its number and name."""

    id: int
    name: str


@dataclass(frozen=True)
class Myself:
    """The client whose token is used."""

    id: int
    name: str
    responsible: Named
    cell: Named | None
    token: str
    scopes: tuple[str, ...]
    expires_at: datetime


@dataclass(frozen=True)
class FailureMode:
    """What can go wrong with a device."""

    id: int
    name: str
    effect: str


@dataclass(frozen=True)
class Device:
    """A dedicated mechanism under trial."""

    id: int
    name: str
    modes: tuple[FailureMode, ...]


@dataclass(frozen=True)
class Cell:
    """One machine with its operation."""

    id: int
    name: str
    machine: str
    part: str
    operation: str
    planned_cycle_seconds: float
    counter_modulus: int | None
    created_at: datetime
    devices: tuple[Device, ...]


@dataclass(frozen=True)
class Requirement:
    """What "ready" means for a cell."""

    id: int
    name: str
    stretch_hours: float
    cycle_seconds: float
    chance: float
    confidence: float
    design_rate: float
    min_shifts: int
    min_operators: int
    min_cold_starts: int
    min_material_lots: int
    min_tool_changes: int
    sign_roles: tuple[str, ...]
    created_at: datetime


@dataclass(frozen=True)
class Person:
    """Somebody whom lines may name."""

    id: int
    name: str
    role: str
    active: bool


@dataclass(frozen=True)
class Shift:
    """One crew's stretch of logging."""

    id: int
    cell: int
    label: str
    stage: str
    opened_at: datetime
    opening_counter: int | None
    closed_at: datetime | None
    closing_counter: int | None
    counter_event: str | None


@dataclass(frozen=True)
class Trial:
    """One device's, or the whole cell's, run against one requirement and plan."""

    id: int
    name: str
    cell: int
    device: int | None
    requirement: int
    stage: str
    share: float
    plan_kind: str
    plan_cycles: int
    plan_allowed: int
    begins_at: datetime | None
    follows: int | None
    created_at: datetime


@dataclass(frozen=True)
class Logbook:
    """How long a cell's logbook is, and its newest hash."""

    cell: int
    length: int
    head: str

    @property
    def entity_tag(self) -> str:
        """What `add_entries` takes as `if_match`, to write only if nobody else has meanwhile."""
        return f'"{self.length}-{self.head[:32]}"'


@dataclass(frozen=True)
class Entry:
    """A line of the logbook. What does not belong to its kind is None."""

    sequence: int
    client_id: str
    kind: str
    shift: str | None
    shift_id: int | None
    time: datetime
    recorded_at: datetime
    person: int | None
    recorded_by: int | None
    stage: str | None
    cycles: int | None
    cycle_number: int | None
    modes: tuple[int, ...]
    counter: int | None
    counter_event: str | None
    reading: str | None
    clear_seconds: int | None
    condition: str | None
    device: int | None
    resets_evidence: bool | None
    failure_mode: int | None
    relevant: bool | None
    cause: str | None
    target: str | None
    photo: str | None
    text: str
    reason: str
    tablet: int | None
    undone: bool
    hash: str


@dataclass(frozen=True)
class Taken:
    """What became of a line: `status` is "added", "repeated" or "rejected"."""

    client_id: str | None
    status: str
    sequence: int | None
    cycle_number: int | None
    problem: Problem | None


@dataclass(frozen=True)
class Counted:
    """What a machine's count became: how it stands after the line, and where that line is.

    `event` is "reset" or "rolled over" where the count fell; `repeated`: the line was there.
    """

    counter: int
    event: str | None
    sequence: int
    repeated: bool


def read(kind: type[T], told: Mapping[str, Any]) -> T:
    """Make a dataclass of what a server said. Keys that are not known are let be: a newer
    server may say more."""
    hints = _hints(kind)
    given = {name: _value(hints[name], told[name]) for name in hints if name in told}
    return kind(**given)


_KNOWN: dict[Any, dict[str, Any]] = {}


def _hints(kind: Any) -> dict[str, Any]:
    if kind not in _KNOWN:
        hints = get_type_hints(kind)
        _KNOWN[kind] = {field.name: hints[field.name] for field in fields(kind)}
    return _KNOWN[kind]


def _value(hint: Any, told: Any) -> Any:
    if told is None:
        return None
    if get_origin(hint) in (Union, types.UnionType):
        hint = next(one for one in get_args(hint) if one is not type(None))
    if get_origin(hint) is tuple:
        return tuple(_value(get_args(hint)[0], one) for one in told)
    if hint is datetime:
        return datetime.fromisoformat(told)
    if hint is Problem:
        return Problem.of(told, told.get("status", 0))
    return read(hint, told) if isinstance(hint, type) and is_dataclass(hint) else told
