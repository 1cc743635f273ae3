"""What the help page on wrong verdicts shows. `.ci/decisions-page` writes its tables anew."""

from __future__ import annotations

from support.decisions import ever_go, plans_for, simulate
from support.help_tables import DOCS, put_tables, table
from support.peeking import ever_wrong

PAGE = DOCS / "decisions.md"

EVERY_CYCLE = "Looking after every cycle"
BURSTS = "Devices that fail in bursts"

LIMITS = [(0.05, 0.9), (0.01, 0.95), (0.002, 0.95), (0.0005, 0.99)]
LOOKS = 20_000

TRIALS, SEED = 4_000, 20_260_302


def every_cycle_table() -> str:
    """The chance of a GO at a true rate equal to the limit: the plans', and of the plain bound."""
    rows = []
    for limit, confidence in LIMITS:
        chances = [ever_go(plan, limit) for plan in plans_for(limit, confidence).values()]
        chances.append(ever_wrong("exact", confidence, limit, LOOKS))
        allowed = f"{100 * (1 - confidence):.0f}"
        rows.append([f"{100 * limit:g} %", allowed, *(f"{100 * part:.2f}" for part in chances)])
    head = ["limit", "allowed", "zero-failure", "fixed-size", "sequential", "plain bound"]
    return table(head, rows)


def bursts_table() -> str:
    """The share of trials with a GO, in percent, of devices that fail as often as the limit."""
    rows = [
        [
            found.plan,
            found.device,
            *(
                f"{100 * gos / found.trials:.1f}"
                for gos in (found.plan_alone, found.with_line, found.with_shifts)
            ),
        ]
        for found in sorted(simulate(TRIALS, SEED), key=lambda found: found.plan, reverse=True)
    ]
    head = ["plan", "device", "the plan alone", "with line 7", "with line 7 and 12 shifts"]
    return table(head, rows, words=2)


def write() -> None:
    """Put the tables of today under their headings in the page."""
    put_tables(PAGE, {EVERY_CYCLE: every_cycle_table(), BURSTS: bursts_table()})
