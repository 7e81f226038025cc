"""The script somebody would honestly write with pandas for the same rules, to compare with: a table of readings, and
`groupby`. It looks only at what each rule needs, and loops over nothing.

What it leaves out: habits, gaps (a missing reading is no rain here), shared causes, peers, alarms that are told once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

LIMITS = ((6, "15min"), (12, "15min"), (20, "15min"), (25, "60min"), (40, "60min"), (50, "24h"))
"""Depth [mm] and duration, as in rules/heavy-rain.toml."""
SILENT = pd.Timedelta(minutes=20)
DAYS_LEFT = 12.0
CUTOFF_V = 3.3
WET_MM = 5.0


@dataclass(frozen=True, slots=True)
class Answers:
    """The positions of the stations that each rule names."""

    overdue: np.ndarray
    heavy: np.ndarray
    declining: np.ndarray
    dry: np.ndarray


def judge(readings: pd.DataFrame, now: pd.Timestamp, neighbours: np.ndarray) -> Answers:
    """Return which stations each rule names.

    readings: columns station, time, rain, battery, sorted by both; neighbours: positions, -1 for none [n, k].
    """
    stations = readings.groupby("station")
    last = stations["time"].max()
    slope = _slope_a_day(readings)
    volts = stations["battery"].last()
    days_left = (volts - CUTOFF_V) / -slope.where(slope < 0)
    sums = readings[readings["time"] > now - pd.Timedelta(hours=48)].groupby("station")["rain"].sum()
    fallen = sums.reindex(range(len(neighbours)), fill_value=0.0).to_numpy()
    beside = np.where(neighbours >= 0, fallen[neighbours], 0.0)
    return Answers(
        overdue=last.index[now - last > SILENT].to_numpy(),
        heavy=_heavy(readings, now),
        declining=days_left.index[days_left <= DAYS_LEFT].to_numpy(),
        dry=np.flatnonzero((fallen == 0) & ((beside >= WET_MM).sum(axis=1) >= 2)),
    )


def _slope_a_day(readings: pd.DataFrame) -> pd.Series:
    """Return each station's battery trend by least squares [V/d]."""
    days = (readings["time"] - readings["time"].iloc[0]).dt.total_seconds() / 86400.0
    table = pd.DataFrame({"station": readings["station"], "x": days, "y": readings["battery"]}).dropna()
    table["xy"], table["xx"] = table["x"] * table["y"], table["x"] ** 2
    mean = table.groupby("station")[["x", "y", "xy", "xx"]].mean()
    return (mean["xy"] - mean["x"] * mean["y"]) / (mean["xx"] - mean["x"] ** 2)


def _heavy(readings: pd.DataFrame, now: pd.Timestamp) -> np.ndarray:
    """Return the stations at which any limit was reached within the last hour."""
    found = set()
    for duration in sorted({duration for _, duration in LIMITS}):
        begin = now - pd.Timedelta(hours=1) - pd.Timedelta(duration)
        recent = readings[readings["time"] > begin].set_index("time")
        sums = recent.groupby("station")["rain"].rolling(duration).sum().reset_index()
        sums = sums[sums["time"] > now - pd.Timedelta(hours=1)]
        most = sums.groupby("station")["rain"].max()
        for depth, limit_duration in LIMITS:
            if limit_duration == duration:
                found |= set(most.index[most >= depth - 1e-9])
    return np.array(sorted(found))
