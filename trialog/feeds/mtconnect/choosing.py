"""Choose, from what an agent's devices can tell, what is listened to."""

from __future__ import annotations

from collections.abc import Sequence

from trialog.errors import InvalidValueError
from trialog.feeds.mtconnect.documents import DataItem

COUNTS = (None, "ALL", "GOOD")
"""Sub-types of the part count, best first: a cycle counts whatever became of its part."""


def choose_count(items: Sequence[DataItem], device: str | None, named: str | None) -> DataItem:
    """Return the data item with the running part count.

    `device` and `named` are what somebody asked for, where they did.

    Raises
    ------
    InvalidValueError
        If there is none, or several that nobody can choose from.
    """
    counts = [
        item
        for item in _of_type(items, device, "PART_COUNT")
        if item.representation == "VALUE" and item.sub_type in COUNTS
    ]
    if named is not None:
        counts = [item for item in _of(items, device) if item.id == named]
    best = [item for sub_type in COUNTS for item in counts if item.sub_type == sub_type]
    if named is not None and counts:
        return counts[0]
    if not best:
        told = ", ".join(sorted({f"{item.id} ({item.type})" for item in items})[:20])
        raise InvalidValueError("count item", f"be a part count of the agent's: {told}", named)
    rivals = [item for item in best if item.sub_type == best[0].sub_type]
    if len(rivals) > 1:
        told = ", ".join(f"{item.id} of {item.device}" for item in rivals)
        raise InvalidValueError("count item", f"be named, there are several: {told}", named)
    return best[0]


def choose_state(items: Sequence[DataItem], device: str, named: str | None) -> DataItem | None:
    """Return the data item that says what the machine is doing: the device's first, or none.

    Raises
    ------
    InvalidValueError
        If the one that was asked for is not there.
    """
    if named is not None:
        for item in _of(items, device):
            if item.id == named:
                return item
        raise InvalidValueError("state item", "be a data item of the device", named)
    return next(iter(_of_type(items, device, "EXECUTION")), None)


def _of(items: Sequence[DataItem], device: str | None) -> list[DataItem]:
    return [item for item in items if device in (None, item.device)]


def _of_type(items: Sequence[DataItem], device: str | None, kind: str) -> list[DataItem]:
    return [item for item in _of(items, device) if item.type == kind]
