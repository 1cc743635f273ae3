"""The errors that trialog raises on purpose.

Each carries what a person needs to mend it: the field, the rule that the value
broke, and the value itself.
"""

from __future__ import annotations


class TrialogError(Exception):
    """Base of every error that trialog raises on purpose."""


class InvalidValueError(TrialogError, ValueError):
    """A value breaks a rule.

    The message reads "<field> must <rule>, got <value>".
    """

    def __init__(self, field: str, rule: str, value: object) -> None:
        self.field = field
        self.rule = rule
        self.value = value
        super().__init__(f"{field} must {rule}, got {shown(value)}")


class UnknownNameError(InvalidValueError):
    """A name that should exist in the records does not."""


class ConflictError(TrialogError):
    """The records already hold something that contradicts the request."""


class NotAllowedError(TrialogError):
    """The person may not do this."""


class SchemaBehindError(TrialogError):
    """The database's schema is older or newer than this version of trialog."""


class PrintingError(TrialogError):
    """This computer could not turn a document into a PDF."""


class PrinterBusyError(PrintingError):
    """A PDF is being made for somebody else, and another waits already."""


class StoppingError(TrialogError):
    """The server is about to end and takes nothing new."""


def shown(value: object, limit: int = 80) -> str:
    """Quote a value for a message, shortened so that a long one stays readable."""
    text = repr(str(value) if isinstance(value, str) else value)  # a fixed word as its word
    return cut(text, limit)


def cut(text: str, most: int) -> str:
    """Return a text of at most so many characters; what was cut off ends in "…"."""
    return text if len(text) <= most else f"{text[: most - 1]}…"
