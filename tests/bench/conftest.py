"""Rows for the table of speeds: a race against another library, a time limit on a call, and a
limit on what was measured elsewhere.

A bench function is named bench_... and its docstring is the row's text. It prepares its data and
ends with one call of the fixture that it asked for:

    def bench_many_bounds(race):
        \"\"\"100,000 exact bounds; statsmodels.\"\"\"
        race(ours=lambda: ..., other=lambda: ..., bar=1.2)

    def bench_plan(within):
        \"\"\"A sequential plan at 1e-5.\"\"\"
        within(lambda: ..., seconds=0.25)

    def bench_screen(measured):
        \"\"\"99th percentile of what a browser says it took.\"\"\"
        measured(0.04, seconds=0.05)

Nothing here passes or fails; `.ci/bench` prints what it found.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Call = Callable[[], Any]


def describe(benchmark: Any, request: pytest.FixtureRequest, side: str, bar: float) -> None:
    """Say beside the timing which row it belongs to, and what was asked of it."""
    kind = request.node.callspec.params.get("database_kind") if request.node.callspec else None
    row = request.function.__doc__ if kind is None else f"{kind}: {request.function.__doc__}"
    benchmark.extra_info.update(row=row, side=side, bar=bar)


@pytest.fixture(params=["ours", "other"])
def race(request, benchmark) -> Callable[..., None]:
    """Time both sides in one run; `bar` is how many times faster ours should be."""

    def run(*, ours: Call, other: Call, bar: float) -> None:
        describe(benchmark, request, request.param, bar)
        benchmark(ours if request.param == "ours" else other)

    return run


@pytest.fixture
def within(request, benchmark) -> Callable[..., None]:
    """Time one call; `seconds` is how long it may take."""

    def run(call: Call, *, seconds: float) -> None:
        describe(benchmark, request, "limit", seconds)
        benchmark(call)

    return run


@pytest.fixture
def measured(request, benchmark) -> Callable[..., None]:
    """Put a time into the table that a browser has measured, in seconds."""

    def run(time: float, *, seconds: float) -> None:
        describe(benchmark, request, "limit", seconds)
        benchmark.extra_info["measured"] = time
        benchmark(lambda: None)

    return run
