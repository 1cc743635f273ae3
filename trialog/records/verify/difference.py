"""What `verify` finds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Difference:
    """Something in the records that is not as the application left it."""

    where: str
    what: str
