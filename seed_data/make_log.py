"""Make log.csv: three invented weeks at an invented cell. The same seed gives the same file.

Run it as `python seed_data/make_log.py`; it writes the file beside itself.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

SEED = 20_261_102
TARGET = Path(__file__).with_name("log.csv")

COLUMNS = (
    "shift", "cycle", "time", "outcome", "modes", "operator", "note", "id", "cycles", "stage",
    "counter", "clear_seconds", "condition", "device", "resets_evidence", "ruling", "target",
    "reason", "cause",
)  # fmt: skip

ENGINEER = "Edda Thornquill"
OPERATORS = ("Mirka Oldenvale", "Joss Tarrowby", "Bede Callowmere", "Nuri Penhollow")
FIRST_DAY = date(2026, 11, 2)
WEEKS = 3
HOURS = {"early": 6, "late": 14}
CYCLE_SECONDS = 42
RUN_LENGTH = timedelta(hours=7, minutes=48)
BREAK_AFTER, BREAK = timedelta(hours=3, minutes=50), timedelta(minutes=30)
FIRST_COUNTER = 48_211

LEFT, SLIPPED = "part left in collet", "part slipped off"
CHIPS, WEAK = "chips on seat", "weak flood"
ROLLED, NICKED = "part rolled out", "part nicked"

NEW_PADS = datetime(2026, 11, 3, 5, 20, tzinfo=UTC)
NEW_NOZZLE = datetime(2026, 11, 11, 5, 35, tzinfo=UTC)
NEW_HOSE_GUARD = datetime(2026, 11, 17, 13, 54, tzinfo=UTC)

REVISIONS = (
    (NEW_PADS, "pull claw", "softer pads glued on, stroke 2 mm longer", True, ""),
    (NEW_NOZZLE, "flood lance", "two-hole nozzle, aimed 15 degrees lower; new filter", True, ""),
    (NEW_HOSE_GUARD, "flood lance", "sheet guard over the hose", False,
     "touches neither flow nor aim; checked with a dry run of twenty strokes"),
)  # fmt: skip

PLACED = {
    ("2026-11-02 early", 311): (LEFT,),
    ("2026-11-06 late", 207): (LEFT,),
    ("2026-11-13 early", 402): (SLIPPED,),
    ("2026-11-13 late", 118): (WEAK,),
}
"""Failures that the scenario is about; all others come by chance."""

NOT_THE_DEVICE = {
    ("2026-11-06 late", 207): (
        "handling by the operator",
        "blank was loaded skew by hand; the claw had nothing to pull on",
    ),
    ("2026-11-13 early", 402): (
        "raw part out of tolerance",
        "saw burr on the blank, 0.4 mm over size; lot sent back to the saw",
    ),
}
THE_DEVICE = "the device itself"
Excuse = tuple[str, str]
"""A cause outside the device, and the words of the ruling."""

COLD_STARTS = {"2026-11-02 early", "2026-11-09 early", "2026-11-12 early", "2026-11-16 early"}
NEW_LOTS = {
    "2026-11-02 early": "7714", "2026-11-05 early": "7719", "2026-11-09 late": "7731",
    "2026-11-12 late": "7738", "2026-11-17 early": "7745",
}  # fmt: skip
HANDOVERS = {"2026-11-04 late", "2026-11-10 early", "2026-11-12 late", "2026-11-19 early"}
UNLOGGED = {"2026-11-02 late": 4}
MISTAPPED = {("2026-11-05 early", 164)}

TOOL_NOTES = ("insert T3 indexed", "boring bar insert changed", "grooving blade changed",
              "drill changed, offset touched off")  # fmt: skip
SHOP_NOTES = (
    "coolant topped up, refractometer 7.5 %", "chips stringy, feed up a touch on the bore",
    "bin full, swapped", "gauge check 5 parts, all mid", "conveyor squeaks again, told maintenance",
    "forklift in the aisle, lost some minutes", "door switch sticky, cleaned it",
    "felt in the cradle getting greasy", "blanks damp from the wash, wiped them",
    "bore 4 microns up, offset -2", "smells of burnt oil near the collet, temperatures fine",
    "new lad watched for an hour",
)  # fmt: skip
FAILED_NOTES = {
    LEFT: ("claw closed on air",),
    SLIPPED: ("dropped halfway",),
    CHIPS: ("bird nest behind the seat", "two long curls", "", "fine chips in the chamfer", ""),
    WEAK: ("flow down", "", "lance dribbled"),
    ROLLED: ("bounced over the lip", "", "rolled to the door", "", "cradle late"),
    NICKED: ("ding on the face", "mark on the rim, scrapped"),
}
REASONS = {
    CHIPS: ("seen on the seat", "chips photographed", "as logged"),
    WEAK: ("flow meter agrees", "as logged"),
    ROLLED: ("part found on the tray", "as logged", "cradle was slow"),
    NICKED: ("part measured, mark is deep", "mark matches the cradle lip"),
    LEFT: ("claw lost its grip on the wet rim",),
    SLIPPED: ("as logged",),
}
CLEAR_SECONDS = {LEFT: 140, SLIPPED: 120, CHIPS: 95, ROLLED: 70, NICKED: 85}


@dataclass
class Log:
    """The rows so far, the machine's counter, and the failures that wait for a ruling."""

    rng: np.random.Generator
    rows: list[dict[str, object]] = field(default_factory=list)
    counter: int = FIRST_COUNTER
    failed: list[tuple[datetime, str, tuple[str, ...], Excuse | None]] = field(default_factory=list)

    def add(self, moment: datetime, outcome: str, **cells: object) -> None:
        time = moment.isoformat(timespec="seconds").replace("+00:00", "Z")
        self.rows.append({"time": time, "outcome": outcome, **cells})

    def one_of(self, texts: tuple[str, ...]) -> str:
        return texts[int(self.rng.integers(len(texts)))]


@dataclass
class Shift:
    """One shift under way."""

    log: Log
    label: str
    start: datetime
    operator: str
    moment: datetime
    cycle: int = 0
    rested: bool = False

    def add(self, outcome: str, **cells: object) -> None:
        self.log.add(self.moment, outcome, shift=self.label, operator=self.operator, **cells)

    def wait(self, seconds: float) -> None:
        self.moment += timedelta(seconds=round(float(seconds)))

    def identity(self) -> str:
        return f"{self.label.replace(' ', '-')}-{self.cycle}"


def make_log() -> str:
    """Return the text of the log."""
    log = Log(np.random.default_rng(SEED))
    for number, (label, start) in enumerate(shifts()):
        run_shift(log, label, start, OPERATORS[(number + number // 4) % len(OPERATORS)])
    rule(log)
    for moment, device, what, resets, reason in REVISIONS:
        log.add(
            moment, "revision", operator=ENGINEER, device=device, note=what,
            resets_evidence="yes" if resets else "no", reason=reason,
        )  # fmt: skip
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(sorted(log.rows, key=lambda row: str(row["time"])))
    return text.getvalue()


def shifts() -> list[tuple[str, datetime]]:
    """Return label and start of each shift: two a day, weekdays only."""
    days = [FIRST_DAY + timedelta(days=7 * week + day) for week in range(WEEKS) for day in range(5)]
    return [
        (f"{day} {crew}", datetime(day.year, day.month, day.day, hour, tzinfo=UTC))
        for day in days
        for crew, hour in HOURS.items()
    ]


def run_shift(log: Log, label: str, start: datetime, operator: str) -> None:
    """Log one shift from opening to closing."""
    shift = Shift(log, label, start, operator, start + timedelta(minutes=2))
    tool_change = int(log.rng.integers(120, 460))
    notes = {int(at) for at in log.rng.integers(20, 540, 2)}
    shift.add("open", stage="by hand", counter=log.counter)
    _note_conditions(shift)
    while shift.moment < start + RUN_LENGTH:
        _rest(shift)
        run_cycle(shift)
        if shift.cycle == tool_change:
            shift.wait(log.rng.integers(180, 420))
            shift.add("condition", condition="tool change", note=log.one_of(TOOL_NOTES))
        if shift.cycle in notes:
            shift.add("note", note=log.one_of(SHOP_NOTES))
        if shift.cycle == 290 and label in HANDOVERS:
            _hand_over(shift)
    log.counter += shift.cycle + UNLOGGED.get(label, 0)
    if label in UNLOGGED:
        shift.add("note", note="counter is ahead of the log, we missed some taps at the start")
    shift.wait(60)
    shift.add("close", counter=log.counter)


def _note_conditions(shift: Shift) -> None:
    shift.wait(20)
    if shift.label in COLD_STARTS:
        shift.add("condition", condition="cold start", note="machine cold, warm-up run done")
        shift.wait(400)
    if shift.label in NEW_LOTS:
        note = f"bar lot {NEW_LOTS[shift.label]} started"
        shift.add("condition", condition="new material lot", note=note)


def _rest(shift: Shift) -> None:
    if not shift.rested and shift.moment > shift.start + BREAK_AFTER:
        shift.moment += BREAK
        shift.rested = True


def _hand_over(shift: Shift) -> None:
    shift.operator = OPERATORS[(OPERATORS.index(shift.operator) + 2) % len(OPERATORS)]
    shift.add("condition", condition="other operator", note=f"{shift.operator} takes over")


def run_cycle(shift: Shift) -> None:
    """Log one cycle, or a handful of good ones in bulk."""
    rng = shift.log.rng
    if shift.cycle > 20 and rng.random() < 0.0012:
        many = int(rng.integers(6, 16))
        if not any((shift.label, shift.cycle + ahead) in PLACED for ahead in range(1, many + 1)):
            shift.cycle += many
            shift.wait(many * (CYCLE_SECONDS + 2))
            shift.add("good", cycle=shift.cycle, cycles=many, note="in bulk, gloves full of grease")
            return
    shift.cycle += 1
    shift.wait(CYCLE_SECONDS + rng.gamma(1.5, 1.4))
    modes = PLACED.get((shift.label, shift.cycle)) or _failures_by_chance(shift)
    if (shift.label, shift.cycle) in MISTAPPED:
        modes = _mistap(shift)
    if modes:
        _fail(shift, modes)
    else:
        shift.add("good", cycle=shift.cycle)


def _mistap(shift: Shift) -> tuple[str, ...]:
    """Log a failed cycle as good by mistake, and take it back."""
    wrong = f"{shift.identity()}-mistap"
    shift.add("good", cycle=shift.cycle, id=wrong)
    shift.wait(6)
    shift.add("undo", target=wrong, reason="hit the wrong button")
    shift.wait(3)
    return (ROLLED,)


def _failures_by_chance(shift: Shift) -> tuple[str, ...]:
    """The lance is bad until its new nozzle; the cradle gets worse all the time."""
    rng = shift.log.rng
    modes: list[str] = []
    if shift.moment < NEW_NOZZLE:
        modes += _drawn(rng, ((CHIPS, 0.0042), (WEAK, 0.0016)))
    age = (shift.start.date() - FIRST_DAY).days / 20
    rate = (0.0018 + 0.0042 * age) * (4 if CHIPS in modes else 1)
    return tuple(modes + _drawn(rng, ((ROLLED, rate), (NICKED, rate / 9))))


def _drawn(rng: np.random.Generator, chances: tuple[tuple[str, float], ...]) -> list[str]:
    return [mode for mode, chance in chances if rng.random() < chance]


def _fail(shift: Shift, modes: tuple[str, ...]) -> None:
    log = shift.log
    shift.add(
        "failed", cycle=shift.cycle, modes=";".join(modes), id=shift.identity(),
        note=log.one_of(FAILED_NOTES[modes[0]]),
    )  # fmt: skip
    excuse = NOT_THE_DEVICE.get((shift.label, shift.cycle))
    log.failed.append((shift.moment, shift.identity(), modes, excuse))
    usual = max(CLEAR_SECONDS.get(mode, 0) for mode in modes)
    if usual:
        clear = round(float(usual * log.rng.lognormal(0, 0.35)))
        shift.wait(clear)
        shift.add("stop", clear_seconds=clear)


def rule(log: Log) -> None:
    """Rule on each failure the next working morning; the last evening's still wait."""
    last = shifts()[-1][1]
    for place, (moment, target, modes, excuse) in enumerate(log.failed):
        if moment >= last:
            continue
        morning = _next_workday(moment.date())
        at = datetime(morning.year, morning.month, morning.day, 8, 10, tzinfo=UTC)
        cause, reason = excuse or (THE_DEVICE, log.one_of(REASONS[modes[0]]))
        log.add(
            at + timedelta(seconds=20 * (place % 60)), "ruling", operator=ENGINEER, target=target,
            ruling="non-relevant" if excuse else "relevant", cause=cause, reason=reason,
        )  # fmt: skip


def _next_workday(day: date) -> date:
    later = day + timedelta(days=1)
    return later if later.weekday() < 5 else _next_workday(later)


if __name__ == "__main__":
    TARGET.write_text(make_log(), encoding="utf-8", newline="")
