"""What the server's log tells of an error: where it came from, and no more of it than is safe."""

from __future__ import annotations

import traceback
from pathlib import Path
from typing import Any

from sqlalchemy.exc import DBAPIError, StatementError

import trialog
from trialog.errors import InvalidValueError

MOST_CAUSES = 4
MOST_FRAMES = 12
LONGEST_WORDS = 300
_HOME = Path(trialog.__file__).parent.parent


def told(error: BaseException) -> dict[str, str]:
    """Return an error as facts of a line: what it is, and the calls that led to it."""
    causes = _with_causes(error)
    return {
        "error": " | because of ".join(words_of(one) for one in causes),
        "calls": " < ".join(_calls(causes[-1])),
    }


def _with_causes(error: BaseException) -> list[BaseException]:
    """Return an error and what it came from, the last cause last."""
    found: list[BaseException] = []
    now: BaseException | None = error
    while now is not None and now not in found and len(found) < MOST_CAUSES:
        found.append(now)
        now = now.__cause__ or (None if now.__suppress_context__ else now.__context__)
    return found


def words_of(error: BaseException) -> str:
    """Return an error's kind and the first line of what it says.

    Of a statement that failed neither the SQL nor its values: these are people's words, or the
    hash of a secret. Further lines of a database's message quote rows.
    """
    kind = type(error).__name__
    if isinstance(error, InvalidValueError):
        return f"{kind}: {error.field} must {error.rule}"
    said: Any = error
    if isinstance(error, StatementError):
        said = error.orig if isinstance(error, DBAPIError) else "a statement could not be sent"
    first = (str(said).splitlines() or [""])[0][:LONGEST_WORDS]
    return f"{kind}: {first}" if first else kind


def _calls(error: BaseException) -> list[str]:
    """Return the calls that led to an error, the innermost first."""
    frames = traceback.extract_tb(error.__traceback__)
    return [f"{_place(one.filename)}:{one.lineno} {one.name}" for one in reversed(frames)][
        :MOST_FRAMES
    ]


def _place(filename: str) -> str:
    """Return a file's name as it is known to whoever mends it: from its package on."""
    path = Path(filename)
    if path.is_relative_to(_HOME):
        return str(path.relative_to(_HOME))
    return "/".join(path.parts[-2:])
