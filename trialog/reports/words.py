"""How numbers are rounded and said, in one place.

Nothing is said with more certainty than the numbers have: a proven stretch is rounded down,
cycles still needed and upper bounds are rounded up, limits and lower bounds down.
"""

from __future__ import annotations

import re
from datetime import datetime, tzinfo
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal

from trialog.evidence.plan_words import plan_words
from trialog.languages import counted, listed, localised, numeral, t

DIGITS = 2
"""Significant digits of a rate."""

MOST_DIGITS = 6
"""Digits spent to keep a bound and a limit that lie close together apart."""

LIMIT_OF_EXACT = 1_000
"""Below this a number of cycles in a sentence is exact; above, three digits and "about"."""

__all__ = [
    "about_up", "bound_and_limit", "chance", "chance_word", "clock_time", "counted", "length",
    "listed", "measured", "moment", "number", "one_in", "plan_words", "rate", "rate_down",
    "rate_up", "rounded",
    "stretch", "together", "zone_name",
]  # fmt: skip

_UNIT = r"(?:h|min|s|days|días|%)(?!\w)"
_QUANTITY = re.compile(rf"\d {_UNIT}(?: \d+ {_UNIT})*")
NO_BREAK = "\N{NO-BREAK SPACE}"

MINUTE, HOUR, DAY = 60, 3600, 24 * 3600


def together(sentence: str) -> str:
    """Return a sentence in which no line ends between a number and its unit, for pages."""
    return _QUANTITY.sub(lambda found: found[0].replace(" ", NO_BREAK), sentence)


def about_up(number: int) -> str:
    """Say a number of cycles still needed, rounded up to three digits where it is long."""
    if number < LIMIT_OF_EXACT:
        return numeral(number)
    step = 10 ** (len(str(number)) - 3)
    rounded = -(-number // step) * step
    return numeral(rounded) if rounded == number else t("about {number}", number=rounded)


def rounded(value: float, digits: int, rounding: str) -> Decimal:
    """Round a number as it is written in decimals to so many significant digits."""
    exact = Decimal(repr(float(value)))
    if exact == 0:
        return Decimal(0)
    short = exact.quantize(Decimal(1).scaleb(exact.adjusted() - digits + 1), rounding)
    # 0.0999 becomes 0.100 and would show a digit too many.
    return short.quantize(Decimal(1).scaleb(short.adjusted() - digits + 1))


def _percent(rate: float, digits: int, rounding: str) -> str:
    return f"{numeral(rounded(rate, digits, rounding).scaleb(2))} %"


def rate(value: float | None, digits: int = DIGITS) -> str:
    """Say an estimated rate: "0.16 %"."""
    return "–" if value is None else _percent(value, digits, ROUND_HALF_EVEN)


def rate_up(value: float, digits: int = DIGITS) -> str:
    """Say an upper bound, rounded up."""
    return _percent(value, digits, ROUND_CEILING)


def rate_down(value: float, digits: int = DIGITS) -> str:
    """Say a limit or a lower bound, rounded down."""
    return _percent(value, digits, ROUND_FLOOR)


def bound_and_limit(upper: float, limit: float) -> tuple[str, str]:
    """Say a bound and the limit it is held against, with digits enough to show which is larger."""
    for digits in range(DIGITS, MOST_DIGITS):
        shown = rounded(upper, digits, ROUND_CEILING), rounded(limit, digits, ROUND_FLOOR)
        if (shown[0] <= shown[1]) == (upper <= limit):
            break
    else:
        digits = MOST_DIGITS
    return rate_up(upper, digits), rate_down(limit, digits)


def one_in(value: float | None) -> str:
    """Say a rate as "1 in 740 cycles"; never as a rarer event than it is."""
    if value is None:
        return "–"
    if value == 0:
        return t("none")
    cycles = Decimal(f"{1 / value:.12g}")  # twelve digits: 1 in 740 must not become 739.9…
    digits = 3 if cycles >= 100 else 2
    step = Decimal(1).scaleb(cycles.adjusted() - digits + 1)
    shown = cycles.quantize(step, ROUND_FLOOR)
    if shown == shown.to_integral_value():
        shown = shown.to_integral_value()
    if shown == 1:
        return t("every cycle") if value == 1 else t("nearly every cycle")
    return t("1 in {cycles} cycles", cycles=numeral(shown))


def chance(value: float) -> str:
    """Say a chance or confidence as it was asked for: "90 %", "99.5 %"."""
    return f"{localised(f'{(Decimal(repr(float(value))) * 100).normalize():f}')} %"


def chance_word(value: float, share: float) -> str:
    """Say which chance a stretch is proven at: all of it, or a device's share."""
    if share == 1:
        return t("{chance} chance", chance=chance(value))
    return t("its share of the {chance} chance", chance=chance(value))


def in_hundred(value: float) -> str:
    """Say a chance to a tenth of a percent, and an almost certain one as no more than that."""
    if value in (0, 1):
        return f"{100 * value:.0f} %"
    if value < 0.0005:
        return t("under {chance}", chance=localised("0.1 %"))
    if value >= 0.9995:
        return t("over {chance}", chance=localised("99.9 %"))
    return localised(f"{100 * value:.1f} %")


def stretch(seconds: float) -> str:
    """Say a proven stretch, rounded down: "1 h 12 min"."""
    if seconds <= 0:
        return t("less than one cycle")
    if seconds < MINUTE:
        return t("under 1 min")
    return _clock(int(seconds // MINUTE) * MINUTE)


def length(seconds: float) -> str:
    """Say a length of time that is known: "4 h", "3 min 20 s"."""
    whole = round(seconds)
    if whole < HOUR:
        minutes, rest = divmod(whole, MINUTE)
        parts = [f"{minutes} min"] if minutes else []
        return " ".join(parts + ([f"{rest} s"] if rest or not minutes else []))
    return _clock(round(whole / MINUTE) * MINUTE)


def _clock(seconds: int) -> str:
    """Say whole minutes; from two days on in days and hours."""
    if seconds >= 2 * DAY:
        days, rest = divmod(seconds, DAY)
        return _parts((days, t("days")), (rest // HOUR, "h"))
    hours, rest = divmod(seconds, HOUR)
    return _parts((hours, "h"), (rest // MINUTE, "min"))


def _parts(*parts: tuple[int, str]) -> str:
    return " ".join(f"{numeral(number)} {unit}" for number, unit in parts if number)


def moment(value: datetime | None, zone: tzinfo) -> str:
    """Say a time in the shop's zone, to the minute."""
    return "–" if value is None else value.astimezone(zone).strftime("%Y-%m-%d %H:%M")


def clock_time(value: datetime, zone: tzinfo) -> str:
    """Say the time of day in the shop's zone, to the second."""
    return value.astimezone(zone).strftime("%H:%M:%S")


def zone_name(zone: tzinfo, now: datetime) -> str:
    """Say which zone the times of a document are in."""
    return str(getattr(zone, "key", None) or now.astimezone(zone).tzname() or t("local time"))


def number(value: float | int | None) -> str:
    """Say a number, or that there is none."""
    return "–" if value is None else localised(f"{value:,}")


def given(value: float) -> str:
    """Say a number as somebody wrote it down: "30", "2.5"."""
    return localised(f"{value:g}")


def measured_up(value: float) -> str:
    """Say an upper bound on such a number, rounded up."""
    return measured(value, ROUND_CEILING)


def measured_down(value: float) -> str:
    """Say a lower bound on such a number, rounded down."""
    return measured(value, ROUND_FLOOR)


def measured(value: float, rounding: str = ROUND_HALF_EVEN) -> str:
    """Say a number that was worked out: a whole one as it is, else to three digits."""
    if value == int(value):
        return numeral(int(value))
    return numeral(rounded(value, 3, rounding))
