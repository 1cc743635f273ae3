"""The counted cycles of a trial, numbered from 1, and which of them failed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain, islice


@dataclass(frozen=True)
class FailedCycle:
    """A failed cycle of a trial's subject, by its line in the cell's logbook.

    `modes`: the failure modes on it that count, `unruled` those of them that nobody has ruled on;
    without any that counts the cycle is a no-test. `logged_before`: cycles logged before it in
    its shift and revision; None where its place is not known.
    """

    sequence: int
    entry: str
    shift_id: int
    revision_id: int
    logged_before: int | None
    modes: tuple[int, ...] = ()
    unruled: tuple[int, ...] = ()

    @property
    def relevant(self) -> bool:
        """Whether any mode on it counts."""
        return bool(self.modes)


def placed(cycles: range, failures: int, known: Sequence[int], *, late: bool) -> list[int]:
    """Return the numbers of all failures, with those of no known place put at one end."""
    taken = set(known)
    free = (number for number in cycles[:: -1 if late else 1] if number not in taken)
    return sorted([*known, *islice(free, failures - len(known))])


@dataclass(frozen=True)
class Group:
    """The counted cycles and failures of one shift under one revision, and its failed cycles."""

    cycles: int
    failures: int
    failed: tuple[FailedCycle, ...]

    def places(self, before: int) -> tuple[int, ...]:
        """Return the numbers of the failures whose order is known, `before` cycles on."""
        known, no_tests = [], 0
        for cycle in self.failed:
            if cycle.relevant and cycle.logged_before is not None:
                known.append(before + cycle.logged_before + 1 - no_tests)
            no_tests += not cycle.relevant
        return tuple(known)

    def all_places(self, before: int, *, late: bool) -> list[int]:
        """Return the numbers of all failures, with those of no known order put at one end."""
        cycles = range(before + 1, before + self.cycles + 1)
        return placed(cycles, self.failures, self.places(before), late=late)

    def fails_on(self, sequence: int) -> bool:
        """Say whether a line of the logbook is a failure of this group."""
        return any(cycle.sequence == sequence and cycle.relevant for cycle in self.failed)

    def without(self, sequence: int) -> Group:
        """Return the group with a failure made a no-test; as it is where it holds no such line."""
        if not self.fails_on(sequence):
            return self
        failed = tuple(
            replace(cycle, modes=(), unruled=()) if cycle.sequence == sequence else cycle
            for cycle in self.failed
        )
        return Group(self.cycles - 1, self.failures - 1, failed)


@dataclass(frozen=True)
class Numbering:
    """All groups of a trial's evidence, in order; no-tests have no number."""

    groups: tuple[Group, ...]

    @property
    def cycles(self) -> int:
        """Counted cycles."""
        return sum(group.cycles for group in self.groups)

    @property
    def failed(self) -> tuple[FailedCycle, ...]:
        """All failed cycles, no-tests too, in the order of the evidence."""
        return tuple(cycle for group in self.groups for cycle in group.failed)

    def known(self) -> tuple[int, ...]:
        """Return the numbers of the failures whose order is known."""
        return tuple(at for before, group in self._numbered() for at in group.places(before))

    def places(self, *, late: bool) -> tuple[int, ...]:
        """Return the numbers of all failures, each that nobody gave an order as early, or as
        late, in its shift as there is room."""
        return tuple(chain.from_iterable(self._laid_out[late]))

    def places_without(self, sequence: int, *, late: bool) -> tuple[int, ...]:
        """Return what `without(sequence).places(late=late)` does; only its group is numbered anew.

        Many failures are tried like this, one by one, for each page that explains a verdict.
        """
        laid_out, places, shift = self._laid_out[late], [], 0
        for (before, group), at in zip(self._numbered(), laid_out, strict=True):
            if group.fails_on(sequence):
                places += group.without(sequence).all_places(before, late=late)
                shift = 1
            else:
                places += [place - shift for place in at] if shift else at
        return tuple(places)

    def without(self, sequence: int) -> Numbering:
        """Return the numbering with the failure of one line made a no-test."""
        return Numbering(tuple(group.without(sequence) for group in self.groups))

    @cached_property
    def _laid_out(self) -> dict[bool, list[list[int]]]:
        """All failures' numbers group by group, early and late."""
        return {
            late: [group.all_places(before, late=late) for before, group in self._numbered()]
            for late in (False, True)
        }

    def _numbered(self) -> Iterator[tuple[int, Group]]:
        before = 0
        for group in self.groups:
            yield before, group
            before += group.cycles
