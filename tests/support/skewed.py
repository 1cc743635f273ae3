"""trialog's commands on a computer whose clock jumps: `python skewed.py FILE serve …`.

The file says how many seconds the clock is ahead of the true one, at each look at it.
"""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from pathlib import Path

import trialog.web.clock
from trialog.cli import main


def jumping(file):
    """Return a `datetime` whose present moment is as far ahead as a file says."""

    class Jumping(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.now(tz) + timedelta(seconds=float(file.read_text() or 0))

    return Jumping


if __name__ == "__main__":
    trialog.web.clock.datetime = jumping(Path(sys.argv.pop(1)))
    main()
