"""A figure as the chart library reads it: traces and a layout, as plain data.

The library's own Python objects check each property as it is set, which takes ten times as long as
all the numbers of a report and would be felt on every page. A test hands our figures to them.
"""

from __future__ import annotations

from typing import Any


class Figure:
    """Traces and a layout; what goes in are numbers, words and lists of them."""

    def __init__(self) -> None:
        """Begin with nothing drawn."""
        self.data: list[dict[str, Any]] = []
        self.layout: dict[str, Any] = {}

    def add_scatter(self, **trace: Any) -> None:
        """Add points, or a line through them."""
        self.data.append({"type": "scatter", **trace})

    def add_bar(self, **trace: Any) -> None:
        """Add bars."""
        self.data.append({"type": "bar", **trace})

    def add_heatmap(self, **trace: Any) -> None:
        """Add boxes in rows and columns."""
        self.data.append({"type": "heatmap", **trace})

    def add_line(self, line: dict[str, Any], **ends: Any) -> None:
        """Add a straight line from x0, y0 to x1, y1."""
        self.layout.setdefault("shapes", []).append({"type": "line", "line": line, **ends})

    def add_level(self, y: float, line: dict[str, Any]) -> None:
        """Add a line across the whole picture at a height."""
        self.add_line(line, xref="x domain", x0=0, x1=1, y0=y, y1=y)

    def add_words(self, text: str, **place: Any) -> None:
        """Write a text somewhere."""
        self.layout.setdefault("annotations", []).append({"text": text, **place})

    def as_dict(self) -> dict[str, Any]:
        """Return the figure as plain data."""
        return {"data": self.data, "layout": self.layout}
