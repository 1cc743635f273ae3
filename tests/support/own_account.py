"""An account of a logbook that shares no code with the application.

It keeps the lines that were taken, in order, and works out anew what they come to whenever it is
asked. Lines are taken at growing times, so the order of the logbook is the order of events.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from trialog.records.words import EntryKind, Reading


@dataclass
class Said:
    """A line that the logbook took."""

    client_id: str
    kind: EntryKind
    shift: str | None
    cycles: int = 0
    modes: frozenset[int] = frozenset()
    counter: int | None = None
    target: str | None = None
    relevant: bool | None = None
    mode: int | None = None
    device: int | None = None
    resets: bool = False
    reading: Reading | None = None


@dataclass
class Tally:
    """What counts for a trial: since when, what came, and what stands in the way of a GO."""

    since: int = 0
    cycles: int = 0
    failures: int = 0
    no_tests: int = 0
    unruled: int = 0
    damaging: bool = False
    shifts: list[str] = field(default_factory=list)


class Account:
    """The lines of a cell's logbook, and what they come to."""

    def __init__(self, device_of: dict[int, int], damaging: set[int]) -> None:
        self.device_of, self.damaging = device_of, damaging
        self.lines: list[Said] = []

    @property
    def undone(self) -> set[str | None]:
        return {line.target for line in self.lines if line.kind is EntryKind.UNDO}

    def standing(self, *kinds: EntryKind, shift: str | None = None) -> list[Said]:
        undone = self.undone
        return [
            line
            for line in self.lines
            if line.kind in kinds and line.client_id not in undone and shift in (None, line.shift)
        ]

    def named(self, client_id: str | None) -> Said | None:
        return next((line for line in self.lines if line.client_id == client_id), None)

    @property
    def failed(self) -> list[Said]:
        """All failed cycles, those taken back too."""
        return [line for line in self.lines if line.kind is EntryKind.FAILED]

    @property
    def open_shift(self) -> str | None:
        for line in self.standing(EntryKind.SHIFT_OPENED):
            if not self.is_closed(line.shift):
                return line.shift
        return None

    def is_closed(self, shift: str | None) -> bool:
        return bool(self.standing(EntryKind.SHIFT_CLOSED, shift=shift))

    def logged(self, shift: str | None) -> int:
        return sum(
            line.cycles for line in self.standing(EntryKind.GOOD, EntryKind.FAILED, shift=shift)
        )

    def unlogged(self, shift: str) -> int:
        """Cycles that the machine counted in a closed shift and nobody logged."""
        (opening,) = self.standing(EntryKind.SHIFT_OPENED, shift=shift)
        (closing,) = self.standing(EntryKind.SHIFT_CLOSED, shift=shift)
        readings = {Reading.OPENING: opening.counter, Reading.CLOSING: closing.counter}
        for line in self.standing(EntryKind.READING, shift=shift):
            readings[line.reading] = line.counter
        return readings[Reading.CLOSING] - readings[Reading.OPENING] - self.logged(shift)

    def is_relevant(self, cycle: Said, mode: int) -> bool | None:
        """What was ruled last on a mode of a failed cycle; None: nothing."""
        rulings = [
            line.relevant
            for line in self.standing(EntryKind.RULING)
            if line.target == cycle.client_id and line.mode in (None, mode)
        ]
        return rulings[-1] if rulings else None

    def tally(self, device: int | None) -> Tally:
        """Count what bears on one device, or on the whole cell."""
        tally = Tally(since=self._since(device))
        standing = {id(line) for line in self.standing(EntryKind.GOOD, EntryKind.FAILED)}
        for line in self.lines[tally.since :]:
            if id(line) in standing:
                self._count(tally, line, device)
                if line.shift not in tally.shifts:
                    tally.shifts.append(line.shift)
        return tally

    def _since(self, device: int | None) -> int:
        undone = self.undone
        return max(
            (
                place
                for place, line in enumerate(self.lines, 1)
                if line.kind is EntryKind.REVISION
                and line.resets
                and line.client_id not in undone
                and device in (None, line.device)
            ),
            default=0,
        )

    def _count(self, tally: Tally, line: Said, device: int | None) -> None:
        own = [mode for mode in line.modes if device in (None, self.device_of[mode])]
        said = {mode: self.is_relevant(line, mode) for mode in own}
        counts = [mode for mode, relevant in said.items() if relevant is not False]
        tally.unruled += sum(relevant is None for relevant in said.values())
        tally.damaging |= any(mode in self.damaging for mode in counts)
        if own and not counts:
            tally.no_tests += 1
        else:
            tally.cycles += line.cycles
            tally.failures += bool(counts)
