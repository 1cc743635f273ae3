"""A shift as a seed makes it: what is tapped, and what befalls the tablet meanwhile."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from support.weather import CUTS

OFFLINE = "the browser knows that it has no network"


@dataclass
class Tap:
    """One line as a person means it; `undoes` is the tap that an undo takes back."""

    kind: str
    modes: tuple[str, ...] = ()
    cycles: int = 0
    text: str = ""
    undoes: Tap | None = None

    def __str__(self):
        what = " + ".join(self.modes) or self.text or (f"{self.cycles}" if self.cycles > 1 else "")
        return f"{self.kind} {what}".strip()


@dataclass
class Trouble:
    """What befalls the tablet just before a tap."""

    name: str
    detail: object = None


@dataclass
class EmulatedShift:
    """The taps in order, and the troubles by the number of the tap they come before."""

    taps: list[Tap]
    troubles: dict[int, list[Trouble]] = field(default_factory=dict)

    def add(self, at, name, detail=None):
        self.troubles.setdefault(at, []).append(Trouble(name, detail))


def make_shift(
    seed, modes, *, taps=480, cuts=40, reloads=5, browser_kills=3, server_kills=2
) -> EmulatedShift:
    """Make a shift; the same seed makes the same one."""
    chance = random.Random(seed)
    shift = EmulatedShift([_tap(chance, modes, number) for number in range(taps)])
    for start in range(0, taps, taps // cuts):
        first, last = sorted(chance.sample(range(taps // cuts), 2))
        shift.add(start + first, "cut", chance.choice([*CUTS, OFFLINE]))
        shift.add(start + last, "clear")
    for name, times in (
        ("reload", reloads), ("kill the browser", browser_kills), ("kill the server", server_kills),
    ):  # fmt: skip
        for at in _spread(chance, taps, times):
            shift.add(at, name)
    for at, hours in zip(_spread(chance, taps, 2), (2, -2), strict=True):
        shift.add(at, "move the clock", hours * 3600)
    return shift


def _spread(chance, taps, times):
    """Return one random place in each of as many equal parts of the shift."""
    part = taps // times
    return [number * part + chance.randrange(1, part - 1) for number in range(times)]


def _tap(chance, modes, number):
    """Mostly good cycles, a few failures, and what else a shift has."""
    kind = chance.choices(
        ("good", "failed", "several", "undo", "bulk", "note"), (90, 4, 1.5, 1.5, 1.5, 1.5)
    )[0]
    if kind == "failed":
        return Tap("failed", (chance.choice(modes),), 1)
    if kind == "several":
        return Tap("failed", tuple(sorted(chance.sample(modes, chance.choice((2, 3))))), 1)
    if kind == "bulk":
        return Tap("good", cycles=chance.randint(2, 12))
    if kind == "note":
        return Tap("note", text=f"coolant looked at, {number}")
    return Tap("undo") if kind == "undo" else Tap("good", cycles=1)
