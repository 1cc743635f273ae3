"""Form fields that take what people type, and say what is wrong in the house's words."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Any

from wtforms import Field, Form, ValidationError
from wtforms.validators import StopValidation
from wtforms.widgets import TextInput

from trialog.errors import shown


class NumberField(Field):  # type: ignore[misc]  # wtforms has no types
    """A number with a decimal point or comma; empty is None."""

    widget = TextInput()
    data: Any

    def _value(self) -> str:
        if self.raw_data:
            return str(self.raw_data[0])
        return "" if self.data is None else f"{self.data:g}"

    def process_formdata(self, valuelist: list[str]) -> None:
        """Read what was typed."""
        typed = valuelist[0].strip() if valuelist else ""
        self.data = self._parse(typed) if typed else None

    def _parse(self, typed: str) -> Decimal | int:
        try:
            number = Decimal(typed.replace(",", "."))
        except InvalidOperation:
            number = Decimal("NaN")
        if not number.is_finite() or "_" in typed:
            raise ValueError(f"Must be a number such as 12.5, got {shown(typed)}.")
        return number


class WholeField(NumberField):
    """A whole number; empty is None."""

    def _value(self) -> str:
        if self.raw_data:
            return str(self.raw_data[0])
        return "" if self.data is None else str(self.data)

    def _parse(self, typed: str) -> Decimal | int:
        if not (typed.isascii() and typed.isdigit() and len(typed) <= 15):
            raise ValueError(f"Must be a whole number such as 12, got {shown(typed)}.")
        return int(typed)


class Given:
    """Refuse an empty field."""

    field_flags = {"required": True}  # noqa: RUF012 - wtforms reads it off the class

    def __init__(self, rule: str = "Must be given; it is empty.") -> None:
        self.rule = rule

    def __call__(self, _form: Form, field: Any) -> None:
        """Stop at the first word about a field without a value."""
        if field.errors:
            raise StopValidation
        if field.data is None or (isinstance(field.data, str) and not field.data.strip()):
            raise StopValidation(self.rule)


class Between:
    """Hold a number in its range; the ends belong to it only as `least` and `most`."""

    def __init__(
        self,
        *,
        above: float | None = None,
        least: float | None = None,
        below: float | None = None,
        most: float | None = None,
    ) -> None:
        self.above, self.least, self.below, self.most = above, least, below, most

    def __call__(self, _form: Form, field: Any) -> None:
        """Say the whole rule where the number breaks it."""
        number = field.data
        if number is None:
            return
        broken = (
            (self.above is not None and number <= self.above)
            or (self.least is not None and number < self.least)
            or (self.below is not None and number >= self.below)
            or (self.most is not None and number > self.most)
        )
        if broken:
            raise ValidationError(f"Must be {self.rule()}, got {field.raw_data[0].strip()}.")

    def rule(self) -> str:
        """Say the rule."""
        ends = (
            ("above", self.above), ("at least", self.least),
            ("below", self.below), ("at most", self.most),
        )  # fmt: skip
        return " and ".join(f"{words} {end:,g}" for words, end in ends if end is not None)


def fraction(percent: Decimal) -> float:
    """Turn a percentage as typed into a fraction: 99.9 into 0.999 exactly as Python writes it."""
    return float(percent / 100)
