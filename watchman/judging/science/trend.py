"""Lines that a few wild values can't bend: the median of the slopes between all pairs (Theil 1950, Sen 1968)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Z_80 = 1.2815515655446004
"""The normal distribution's quantile that leaves 10 % on either side."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line through each station's values: slope [value per unit of time] with its 80 % interval, and the value at the
    last time of the window; points: how many values it rests on. NaN where there were fewer than two. All [n].
    """

    slope: np.ndarray
    low: np.ndarray
    high: np.ndarray
    at_end: np.ndarray
    points: np.ndarray


def theil_sen(time: np.ndarray, values: np.ndarray) -> Line:
    """Return the Theil-Sen line of each column; a NaN is a missing value.

    time [t], rising; values [t, n]; windows of days, since every pair is looked at: t(t-1)/2 slopes a column. The
    interval is Sen's (1968, eq. 2.6) by ranks, without his correction for ties, for 80 %: one line in ten is steeper
    than each end. The line runs through the medians of time and values (Conover 1980, as scipy's theilslopes does).
    """
    early, late = np.triu_indices(len(time), 1)
    with np.errstate(invalid="ignore"):
        slopes = np.sort((values[late] - values[early]) / (time[late] - time[early])[:, None], axis=0)
    known = ~np.isnan(values)
    points = known.sum(axis=0)
    pairs = points * (points - 1) // 2
    slope = _middle(slopes, pairs)
    spread = Z_80 * np.sqrt(points * (points - 1.0) * (2.0 * points + 5.0) / 18.0)
    low = _ranked(slopes, np.maximum(np.rint((pairs - spread) / 2.0).astype(int) - 1, 0), pairs)
    high = _ranked(slopes, np.minimum(np.rint((pairs + spread) / 2.0).astype(int), pairs - 1), pairs)
    times = np.where(known, time[:, None], np.nan)
    middle_time = _middle(np.sort(times, axis=0), points)
    middle_value = _middle(np.sort(values, axis=0), points)
    return Line(slope, low, high, middle_value + slope * (time[-1] - middle_time), points)


def median(values: np.ndarray, axis: int = 0) -> np.ndarray:
    """Return the median along an axis of the values that are there, NaN where none are: numpy's, many times faster."""
    ordered = np.sort(values, axis=axis)
    count = np.count_nonzero(~np.isnan(ordered), axis=axis, keepdims=True)
    # Sorting leaves NaN last; where none is there the first is NaN.
    middle = [np.take_along_axis(ordered, at, axis) for at in (np.maximum(count - 1, 0) // 2, count // 2)]
    return np.asarray((middle[0] + middle[1]).squeeze(axis) / 2.0)


def _middle(ordered: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Return the median of each sorted column [k, n] whose first `count` values are there (sorting leaves NaN last)."""
    columns = np.arange(ordered.shape[1])
    # Where none is there the first is NaN.
    return np.asarray((ordered[np.maximum(count - 1, 0) // 2, columns] + ordered[count // 2, columns]) / 2.0)


def _ranked(ordered: np.ndarray, rank: np.ndarray, count: np.ndarray) -> np.ndarray:
    columns = np.arange(ordered.shape[1])
    there = count > 0
    return np.asarray(np.where(there, ordered[np.where(there, rank, 0), columns], np.nan))
