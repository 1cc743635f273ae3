"""What all charts share: their content in three forms, their colours and their frame.

Colours are CSS variables: the script that draws a chart resolves them at that moment, so that
one figure serves light, dark and print. What people typed goes through `plain_text`: the chart
library takes markup in a text for its own.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from trialog.evidence.course import thinned
from trialog.languages import localised
from trialog.reports.figures.figure import Figure
from trialog.reports.tables import Table

TEXT, GRID = "var(--chart-text)", "var(--chart-grid)"
LINE, MARK = "var(--chart-line)", "var(--chart-mark)"
BAND, QUIET = "var(--chart-band)", "var(--chart-quiet)"
GO_COLOUR, GO_FILL = "var(--chart-go)", "var(--chart-go-fill)"
NO_GO_COLOUR, NO_GO_FILL = "var(--chart-no-go)", "var(--chart-no-go-fill)"
KEEP_COLOUR = "var(--chart-keep)"
LABEL = "var(--chart-label)"
CLEAR = "rgba(0,0,0,0)"

HEIGHT = 380

LONGEST_NAME = 24
"""Characters of somebody's own words in a picture; the table has them whole."""


@dataclass(frozen=True)
class Chart:
    """A figure with the words and the tables that say the same.

    `least_width`: pixels below which it is to be moved sideways instead of drawn narrower.
    """

    name: str
    title: str
    summary: str
    tables: tuple[Table, ...]
    figure: Figure
    least_width: int = 0

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to draw: the title then says all there is to say."""
        return not self.tables[0].rows

    @cached_property
    def json(self) -> str:
        """The figure as JSON that is safe inside a script element of HTML."""
        text = json.dumps(self.figure.as_dict(), separators=(",", ":"), allow_nan=False)
        return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def plain_text(what: str, longest: int = LONGEST_NAME) -> str:
    """Return somebody's words cut short, with nothing in them that the library takes for markup."""
    cut = what if len(what) <= longest else f"{what[: longest - 1].rstrip()}…"
    return cut.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def axis(title: str, **more: Any) -> dict[str, Any]:
    """Return an axis in the house's style."""
    style = {
        "title": {"text": title}, "gridcolor": GRID, "linecolor": TEXT, "tickcolor": TEXT,
        "ticks": "outside", "showline": True, "zeroline": False, "fixedrange": True,
    }  # fmt: skip
    return style | more


def named_places(names: Sequence[str], most: int = 8) -> dict[str, Any]:
    """Return the ticks of an axis whose places, from 0, have names; only some where many are."""
    places = list(thinned(len(names), most))
    return {
        "tickvals": places,
        "ticktext": [plain_text(names[place], 16) for place in places],
        "range": [-0.6, max(len(names), 1) - 0.4],
        "automargin": True,
    }


def frame(figure: Figure, *, xaxis: dict[str, Any], yaxis: dict[str, Any], **more: Any) -> None:
    """Lay a figure out in the house's style."""
    style = {
        "showlegend": False,
        "paper_bgcolor": CLEAR,
        "plot_bgcolor": CLEAR,
        "font": {"color": TEXT, "family": "system-ui, sans-serif", "size": 14},
        "margin": {"l": 70, "r": 20, "t": 12, "b": 64},
        "height": HEIGHT,
        "separators": localised(".,"),
    }
    figure.layout |= style | more | {"xaxis": xaxis, "yaxis": yaxis}


def label(figure: Figure, text: str, colour: str, *, more: str = "", **place: Any) -> None:
    """Write a word into a figure, and what goes with it in lighter letters."""
    style = {"showarrow": False, "font": {"color": colour, "size": 15}}
    figure.add_words(f"<b>{text}</b>{more}", **(style | place))
