"""Each gauge's rain beside its neighbours', day by day: the logarithm of their ratio, and how far chance puts it off.

The neighbours are up to 8 within 60 km that delivered the day, at least 3 of them. Of their rain the logarithms are
averaged, the near ones weighing more, so that neither one shower nor one broken neighbour carries the mean:

    ratio = log(own + 0.3 mm) - mean of log(neighbour + 0.3 mm), weights (km + 2)^-2
    error = square root of (0.1 squared + the neighbours' own variance about that mean)

Where the neighbours agree with each other, the gauge should agree with them; where showers scatter them, it may be as
far off as they are. In our own simulation of six climates ratio / error is spread as Student's t with 4 degrees of
freedom times 0.7, a little less in the tails, whatever the weather (7143 station-days); 0.1 is a gauge's own day to day
error.

A day counts when the gauge and 3 neighbours delivered 95 % of it with nothing held back, since they came to this place,
without frost (judging/frost.py), and when the neighbours' (geometric) mean is 0.7 mm or more. 95 % rather than all,
since radio loses a reading in some hundred: what a lost hour may hide is little beside the error of a day. A day with a
tenth or ten times of what the neighbours agree on (error up to 0.6) doesn't count: a gauge that was stopped, or an
odd unit, is another matter, and mustn't pass for what it used to catch.

The inverse square of the distance is common practice, no source; 60 km, 8, 0.3, 0.7 mm, 95 %, ten times and 0.6:
judgement, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watchman.judging.frost import frost_days
from watchman.judging.science.double_mass import (
    LEAST_BEFORE,
    SLOPE_A_KM,
    WITHIN,
    expected_level,
    weighted_median,
)
from watchman.judging.view import View
from watchman.readings.record import DAY

NEAR_KM = 60.0
NEIGHBOURS = 8
NEEDED = 3
NEARER_KM = 2.0
EDGE_MM = 0.3
LEAST_MM = 0.7
OWN_ERROR = 0.1
WHOLE_DAY = 0.95
BROKEN, BROKEN_ERROR = 10.0, 0.6
MEDIAN_ERROR = 1.25
"""The standard error of a median over that of a mean: square root of pi / 2."""
DRAWN_IN, LEAST_RMS, USUAL_WITHIN = 3.0, 0.6, 0.12
AT_A_TIME = 128
"""Gauges weighed at once, so that their days stay in the processor's cache; bounds the memory, not the result."""


@dataclass(frozen=True, slots=True)
class Beside:
    """Some gauges beside their neighbours over some days.

    positions [k]; first: cell of the first day in the daily table; ratio: logarithm of own rain over the neighbours',
    NaN on days that don't count; error: what chance puts it off by; own_mm, mm: own and the neighbours' mean rain, 0 on
    days that don't count [k, day]; rise_km: by how much it stands above its neighbours, 0 where not known [k].
    """

    positions: np.ndarray
    first: int
    ratio: np.ndarray
    error: np.ndarray
    own_mm: np.ndarray
    mm: np.ndarray
    rise_km: np.ndarray


def near(view: View, positions: np.ndarray) -> np.ndarray:
    """Return up to 8 neighbours within 60 km, nearest first, -1 where there are fewer [k, 8]."""
    neighbours = view.stations.neighbours[positions, :NEIGHBOURS]
    km = view.stations.neighbours_km[positions, :NEIGHBOURS]
    return np.asarray(np.where((neighbours >= 0) & (km <= NEAR_KM), neighbours, -1))


def beside(view: View, positions: np.ndarray, days: int, without: int = -1) -> Beside:
    """Return some gauges beside their neighbours over the latest whole days; without: a neighbour left out."""
    daily = view.record.daily
    first = max(daily.head - days, 0)
    others = near(view, positions)
    others = np.where(others == without, -1, others)
    rows = np.unique(np.append(others[others >= 0], positions))
    place = np.zeros(len(view.stations), np.int64)
    place[rows] = np.arange(len(rows))
    good, logs = sound_days(view, first, rows)
    there = others >= 0
    km = np.where(there, view.stations.neighbours_km[positions, :NEIGHBOURS], 0.0)
    weight = np.where(there, (NEARER_KM + km) ** -2.0, 0.0).astype(np.float32)
    size = (len(positions), logs.shape[1])
    ratio, error, mm = np.empty(size, np.float32), np.empty(size, np.float32), np.empty(size, np.float32)
    needed = NEEDED if without < 0 else NEEDED - 1
    own, others = place[positions], place[np.maximum(others, 0)]
    for begin in range(0, len(positions), AT_A_TIME):
        part = slice(begin, begin + AT_A_TIME)
        mean, variance, able = _mean(good[others[part]], logs[others[part]], weight[part], there[part], needed)
        able &= (good[own[part]] > 0) & (mean >= np.float32(np.log(LEAST_MM + EDGE_MM)))
        off, error[part] = logs[own[part]] - mean, np.sqrt(variance + np.float32(OWN_ERROR**2))
        able &= (np.abs(off) <= np.float32(np.log(BROKEN))) | (error[part] > BROKEN_ERROR)
        ratio[part] = np.where(able, off, np.float32(np.nan))
        mm[part] = np.where(able, np.exp(mean) - np.float32(EDGE_MM), np.float32(0.0))
    own_mm = np.where(mm > 0, np.exp(logs[own]) - np.float32(EDGE_MM), np.float32(0.0))
    return Beside(positions, first, ratio, error, own_mm, mm, _rise_km(view, positions, others, rows, weight))


def sound_days(view: View, first: int, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which days of some stations are sound, and the logarithm of their rain, 0 on others [station, day]."""
    daily = view.record.daily
    days = slice(first, daily.head)
    chosen = slice(None) if len(rows) == len(view.stations) else rows
    good = (daily.known[days][:, chosen] >= WHOLE_DAY * DAY) & (daily.held[days][:, chosen] == 0)
    good &= daily.start + np.arange(first, daily.head)[:, None] * DAY >= view.stations.from_s[rows]
    good &= ~frost_days(view, first, rows)[:-1]
    mm = np.where(good, daily.rain[days][:, chosen], 0).T.astype(np.float32, order="C") * np.float32(0.001)
    sound = good.T.astype(np.float32, order="C")
    return sound, np.log(mm + np.float32(EDGE_MM)) * sound


def _mean(
    good: np.ndarray, logs: np.ndarray, weight: np.ndarray, there: np.ndarray, needed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the weighted mean of the neighbours' logarithms, their variance about it, freed of the bias that few of
    them have, and whether there are enough [k, day]. good, logs: [k, neighbour, day].
    """

    def summed(weights: np.ndarray, values: np.ndarray) -> np.ndarray:
        return np.asarray(np.matmul(weights[:, None, :], values)[:, 0])

    total = np.maximum(summed(weight, good), np.float32(1e-9))
    number = summed(there.astype(np.float32), good)
    mean = summed(weight, logs) / total
    square = summed(weight, logs * logs) / total
    free = np.maximum(1 - summed(weight**2, good) / total**2, np.float32(0.05))
    return mean, np.maximum(square - mean**2, 0) / free, number >= needed


def _rise_km(view: View, positions: np.ndarray, others: np.ndarray, rows: np.ndarray, weight: np.ndarray) -> np.ndarray:
    height = view.stations.elevation_m
    about = (weight * height[rows[others]]).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    return np.asarray(np.nan_to_num((height[positions] - about) / 1000.0))


def shaken(table: Beside) -> tuple[np.ndarray, np.ndarray]:
    """Return roughly by how many standard errors each gauge's ratio fell, and rose, where it did most [k]: a quick look
    that says which deserve a better one.
    """
    counts = ~np.isnan(table.ratio)
    weight = np.where(counts, table.error**-2.0, np.float32(0.0))
    value = np.where(counts, table.ratio, np.float32(0.0))
    total = np.maximum(weight.sum(axis=1), np.float32(1e-9))
    level = ((weight * value).sum(axis=1) / total)[:, None]
    off = np.clip((value - level) / table.error, -DRAWN_IN, DRAWN_IN) * counts
    rms = np.sqrt(np.einsum("kd,kd->k", off, off) / np.maximum(np.count_nonzero(counts, axis=1), 1))
    moved = np.cumsum(off * table.error * weight, axis=1)
    mass = np.cumsum(weight, axis=1)
    # The level before is known from its days, and from what is usual of gauges at such a height.
    known = np.float32(USUAL_WITHIN**-2.0)
    usual = np.float32(SLOPE_A_KM) * table.rise_km.astype(np.float32)[:, None] - level
    before, rest = mass + known, np.maximum(mass[:, -1:] - mass, np.float32(1e-9))
    change = (moved[:, -1:] - moved) / rest - (moved + known * usual) / before
    change *= np.sqrt(rest * before / (rest + before))
    rms = np.maximum(rms, LEAST_RMS)
    return -change.min(axis=1, initial=0.0) / rms, change.max(axis=1, initial=0.0) / rms


def neighbourhood(view: View, position: int) -> np.ndarray:
    """Return a gauge and the neighbours that say with it what is usual here; itself first [k]."""
    others = view.stations.neighbours[position]
    return np.append(position, others[others >= 0])


class Usual:
    """What level of the ratio is usual of a gauge, by those about it; each gauge's own is worked out once."""

    def __init__(self, view: View, table: Beside) -> None:
        """Take the gauges of a table; those asked for must stand in it with all about them."""
        self._view, self._table = view, table
        self._known: dict[int, tuple[float, float]] = {}

    def of(self, position: int) -> tuple[float, float]:
        """Return the level to be expected of a gauge, and how far such levels lie apart."""
        rows = np.searchsorted(self._table.positions, neighbourhood(self._view, position)).tolist()
        levels = [(row, *self._level(row)) for row in rows]
        if np.isinf(levels[0][2]):
            return 0.0, WITHIN[1]
        row, level, error = (np.array(column) for column in zip(*levels, strict=True))
        heard = np.isfinite(error)
        expected, within = expected_level(level[heard], error[heard], self._table.rise_km[row[heard]])
        return float(expected[0]), within

    def _level(self, row: int) -> tuple[float, float]:
        if row not in self._known:
            ratio, error, _days = counted(self._table, row)
            weight = error**-2.0
            enough = len(ratio) >= LEAST_BEFORE
            spread = MEDIAN_ERROR / np.sqrt(weight.sum()) if enough else np.inf
            self._known[row] = (weighted_median(ratio, weight) if enough else 0.0, float(spread))
        return self._known[row]


def counted(table: Beside, row: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return ratio and error of the days that count, and which days they are [day]."""
    days = np.flatnonzero(~np.isnan(table.ratio[row]))
    return table.ratio[row, days].astype(float), table.error[row, days].astype(float), days
