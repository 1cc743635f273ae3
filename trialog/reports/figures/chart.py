"""What all charts share: their content in three forms, their colours and their frame.

Colours are CSS variables: the script that draws a chart resolves them at that moment, so that
one figure serves light, dark and print.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import plotly.graph_objects as go

from trialog.reports.tables import Table

TEXT, GRID = "var(--chart-text)", "var(--chart-grid)"
LINE, MARK = "var(--chart-line)", "var(--chart-mark)"
GO_COLOUR, GO_FILL = "var(--chart-go)", "var(--chart-go-fill)"
NO_GO_COLOUR, NO_GO_FILL = "var(--chart-no-go)", "var(--chart-no-go-fill)"
KEEP_COLOUR = "var(--chart-keep)"
LABEL = "var(--chart-label)"
CLEAR = "rgba(0,0,0,0)"

HEIGHT = 380


@dataclass(frozen=True)
class Chart:
    """A figure with the words and the tables that say the same."""

    name: str
    title: str
    summary: str
    tables: tuple[Table, ...]
    figure: go.Figure

    @cached_property
    def json(self) -> str:
        """The figure as JSON that is safe inside a script element of HTML."""
        text = json.dumps(json.loads(self.figure.to_json()), separators=(",", ":"))
        return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def axis(title: str, **more: Any) -> dict[str, Any]:
    """Return an axis in the house's style."""
    style = {
        "title": {"text": title}, "gridcolor": GRID, "linecolor": TEXT, "tickcolor": TEXT,
        "ticks": "outside", "showline": True, "zeroline": False, "fixedrange": True,
    }  # fmt: skip
    return style | more


def frame(figure: go.Figure, *, xaxis: dict[str, Any], yaxis: dict[str, Any], **more: Any) -> None:
    """Lay a figure out in the house's style."""
    style = {
        "template": None,
        "showlegend": False,
        "paper_bgcolor": CLEAR,
        "plot_bgcolor": CLEAR,
        "font": {"color": TEXT, "family": "system-ui, sans-serif", "size": 14},
        "margin": {"l": 70, "r": 20, "t": 12, "b": 56},
        "height": HEIGHT,
    }
    figure.update_layout(**(style | more), xaxis=xaxis, yaxis=yaxis)


def label(figure: go.Figure, text: str, colour: str, **place: Any) -> None:
    """Write a word into a figure."""
    style = {"showarrow": False, "font": {"color": colour, "size": 15}}
    figure.add_annotation(text=f"<b>{text}</b>", **(style | place))
