"""The lines that a verdict is made of."""

from __future__ import annotations

from dataclasses import dataclass

from trialog.languages import mark, t

EXPLANATIONS = {
    "plan": mark(
        "The plan was fixed beforehand and says how many cycles are enough for how many relevant "
        "failures. Only a rule chosen before the results keeps its promise, however often anybody "
        "looks."
    ),
    "damage": mark(
        "A failure that can damage the machine, the part or the robot is not a matter of how rare "
        "it is: with nobody there, one is too many."
    ),
    "rulings": mark(
        "Until an engineer has said whether a failure speaks against the device it counts as "
        "relevant. A verdict must not rest on failures that nobody has looked at."
    ),
    "counter": mark(
        "The machine counts its own cycles. What it counted and nobody logged may have been "
        "failures, so the plan is tried again with each of them a failure."
    ),
    "changes": mark(
        "Cycles of a device as it was before a change say little of the device as it is now. A "
        "change begins the evidence anew, unless somebody wrote down why it does not matter."
    ),
    "conditions": mark(
        "A device that was tried in fair weather only has not been tried. The requirement says "
        "how many shifts, operators, cold starts, material lots and tool changes it must have met."
    ),
    "patterns": mark(
        "The bound rests on failures that come at a steady rate. Where they come closer together, "
        "or in bursts, somebody has to have seen it and written down why to go on."
    ),
    "cautions": mark(
        "No number makes a cell safe. Somebody has to have taken note in writing of what numbers "
        "cannot replace."
    ),
}
"""What each line asks, and why, by the line's key."""


@dataclass(frozen=True)
class Reason:
    """One line of the verdict: what must hold, whether it does, and its figure.

    `key` names the line in addresses and in JSON. `would_change`: sentences on what would change
    it; empty unless they were asked for (`evidence.explained`).
    """

    key: str
    name: str
    met: bool
    detail: str
    would_change: tuple[str, ...] = ()

    @property
    def explanation(self) -> str:
        """What the line asks, and why."""
        return t(EXPLANATIONS[self.key])
