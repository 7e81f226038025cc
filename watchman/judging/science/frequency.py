"""How rare a depth is in its duration, from a depth-duration-frequency table that the user supplies.

Between two columns the depth is taken as a straight line over the logarithm of the return period, and between two rows
as a straight line in logarithms of both depth and duration (WMO-No. 168, from memory: common practice). For series of
all large storms (partial duration) the first is exact where h(T) = u + w ln T (DWA-A 531; the published Graz table is
made so). For yearly maxima that follow Gumbel it is near: ln T is the reduced variate of partial duration itself
(Langbein 1949, from memory: 1/T_yearly = 1 - exp(-1/T)), and between 2 and 5 years the depth is off by at most 0.04 of
the scale, from 10 years on by less than 0.01 (computed here). Nothing is ever said beyond the table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

APART_KM = 10.0
"""Gauges of one square this wide see the same cloudburst (judgement, no source; published correlation lengths are some
26 km in heavy thunderstorms and 75 km in wide rain: Valeo & Tang 2001).
"""
EARTH_KM_PER_DEGREE = 111.2
"""Length of a degree of latitude (6371 km * pi / 180)."""


@dataclass(frozen=True, slots=True)
class FrequencyTable:
    """Depths by duration and return period, rising with both.

    minutes: durations [min, k]; years: return periods [a, m]; depth_mm: [k rows of m].
    """

    minutes: tuple[float, ...]
    years: tuple[float, ...]
    depth_mm: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class ReturnPeriod:
    """How rare a depth is. years: the return period [a], or the table's edge where it lies beyond; beyond: "more",
    "less" or "".
    """

    years: float
    beyond: str = ""


def depths_in(table: FrequencyTable, minutes: float) -> np.ndarray | None:
    """Return the table's row for a duration [mm, m], between two of its rows where needed; None outside the table."""
    if not table.minutes[0] <= minutes <= table.minutes[-1]:
        return None
    if minutes in table.minutes:
        return np.array(table.depth_mm[table.minutes.index(minutes)])
    durations, depths = np.log(table.minutes), np.log(table.depth_mm)
    return np.exp([np.interp(math.log(minutes), durations, column) for column in depths.T])


def return_period(table: FrequencyTable, depth_mm: float, minutes: float) -> ReturnPeriod | None:
    """Return how rare a depth [mm] in a duration [min] is; None where the table doesn't have the duration."""
    row = depths_in(table, minutes)
    if row is None:
        return None
    if depth_mm > row[-1]:
        return ReturnPeriod(table.years[-1], "more")
    if depth_mm < row[0]:
        return ReturnPeriod(table.years[0], "less")
    return ReturnPeriod(float(np.exp(np.interp(depth_mm, row, np.log(table.years)))))


def depth_of(table: FrequencyTable, years: float, minutes: float) -> float | None:
    """Return the depth [mm] of a return period [a] in a duration [min]; None where the table has no such cell."""
    row = depths_in(table, minutes)
    if row is None or not table.years[0] <= years <= table.years[-1]:
        return None
    return float(np.interp(math.log(years), np.log(table.years), row))


def years_between(years: float, sites: int) -> float:
    """Return how often it happens somewhere among independent sites [a]: 1 / P, P = 1 - (1 - 1/T)^n."""
    if years <= 1:
        return 1.0
    return 1.0 / (1.0 - (1.0 - 1.0 / years) ** max(sites, 1))


def sites_apart(latitude: np.ndarray, longitude: np.ndarray) -> int:
    """Return how many squares of APART_KM hold a gauge: how many gauges can be called independent.

    latitude, longitude: [deg, n].
    """
    across = EARTH_KM_PER_DEGREE * np.cos(np.radians(np.mean(latitude))) if len(latitude) else 0.0
    north = np.floor(latitude * EARTH_KM_PER_DEGREE / APART_KM)
    east = np.floor(longitude * across / APART_KM)
    return len(np.unique(np.stack([north, east]), axis=1).T)
