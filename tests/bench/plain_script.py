"""What somebody would write who has the log as a CSV and no trialog: the dossier's tables by pandas
and statsmodels. It is here to be raced against, and makes no table that a dossier lacks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

CONFIDENCE = 0.95


def tables_of(path: Path) -> dict[str, pd.DataFrame]:
    """Read a cycle log and make the tables of a dossier from it."""
    log = pd.read_csv(path, parse_dates=["time"], low_memory=False)
    log["shift"] = log["shift"].ffill()
    cycles = log[log["outcome"].isin(["good", "failed"])].copy()
    cycles["cycles"] = cycles["cycles"].fillna(1).astype(int)
    cycles["failed"] = (cycles["outcome"] == "failed").astype(int)
    cycles["number"] = cycles["cycles"].cumsum()
    failures = cycles[cycles["failed"] == 1]
    shifts = _shifts(log, cycles)
    return {
        "shifts": shifts,
        "modes": _modes(failures, int(cycles["cycles"].sum())),
        "failures": failures[["number", "shift", "cycle", "time", "modes", "note"]],
        "between": _between(failures),
        "proven": _proven(shifts),
        "conditions": log.groupby(["shift", "condition"], sort=False).size().reset_index(),
    }


def _shifts(log: pd.DataFrame, cycles: pd.DataFrame) -> pd.DataFrame:
    grouped = cycles.groupby("shift", sort=False)
    table = grouped[["cycles", "failed"]].sum()
    table["from"], table["to"] = grouped["time"].min(), grouped["time"].max()
    counters = log.dropna(subset=["counter"]).groupby("shift", sort=False)["counter"]
    table["counted"] = counters.last() - counters.first()
    ends = [_interval(row.failed, row.cycles) for row in table.itertuples()]
    table[["lower", "upper"]] = ends
    pooled = table["failed"].sum() / table["cycles"].sum()
    spread = 3 * np.sqrt(pooled * (1 - pooled) / table["cycles"])
    table["beyond"] = (table["failed"] / table["cycles"] - pooled).abs() > spread
    return table.reset_index()


def _interval(failed: int, cycles: int) -> tuple[float, float]:
    low, high = proportion_confint(failed, cycles, alpha=1 - CONFIDENCE, method="beta")
    return float(low), float(high)


def _modes(failures: pd.DataFrame, cycles: int) -> pd.DataFrame:
    table = failures["modes"].str.split(";").explode().value_counts().reset_index()
    table[["lower", "upper"]] = [_interval(count, cycles) for count in table["count"]]
    return table


def _between(failures: pd.DataFrame) -> pd.DataFrame:
    gaps = failures["number"].diff().fillna(failures["number"])
    return pd.DataFrame({"number": failures["number"], "gap": gaps})


def _proven(shifts: pd.DataFrame) -> pd.DataFrame:
    """The upper limit after each shift, and how long a stop-free stretch it allows."""
    sums = shifts[["failed", "cycles"]].cumsum()
    upper = np.array([_interval(row.failed, row.cycles)[1] for row in sums.itertuples()])
    return pd.DataFrame({"upper": upper, "cycles": np.log(0.9) / np.log1p(-upper)})
