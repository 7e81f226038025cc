"""How well a gauge's wet hours fit the gauges around it: at its own hours, at others, or at another gauge's place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

NEAR_KM = 20.0
"""Gauges this near share most of their wet hours [km] (hourly rain correlates over some 15 km in convective rain and 70
km in stratiform, our own simulation)."""
NEAR_MOST = 6
NEAR_LEAST = 3
UNKNOWN, NONE, SOME, MANY = -1, 0, 1, 2
"""How many of the near gauges were wet in an hour: none, fewer than half, half or more."""
CHANCE_BOUNDS = ((0.005, 0.2), (0.05, 0.6), (0.3, 0.95))
"""Within which the share of wet hours is believed, by how many near gauges were wet (judgement, no source)."""


_COUNTED = np.array([1, 17, 0], np.uint8)
"""Of a dry hour, a wet one, and one not known."""
_known, _rainy = np.arange(256) % 16, np.arange(256) // 16
_AROUND = np.select([_known < NEAR_LEAST, _rainy == 0, 2 * _rainy >= _known], [UNKNOWN, NONE, MANY], SOME).astype(
    np.int8
)
"""What was around, by both counts in one number."""


def near(neighbours: np.ndarray, km: np.ndarray) -> np.ndarray:
    """Return the gauges near each one, -1 where there are no more [n, NEAR_MOST].

    neighbours, km: positions and distances [km] of the nearest, nearest first [n, k].
    """
    return np.asarray(np.where(km <= NEAR_KM, neighbours, -1)[:, :NEAR_MOST], np.int32)


def wet_around(wet: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return NONE, SOME or MANY of the gauges at some places wet by hour, UNKNOWN with fewer than NEAR_LEAST heard.

    wet: 1 wet, 0 dry, -1 unknown [n, hour; int8]; places: positions, -1 for none [m, k]; returns [m, hour; int8].
    """
    # Both counts in one number, known ones and 16 for each wet one; a row of nothing stands in for nobody.
    counts = np.zeros((len(wet) + 1, wet.shape[1]), np.uint8)
    counts[:-1] = _COUNTED[wet]
    total = np.zeros((len(places), wet.shape[1]), np.uint8)
    for column in places.T:
        total += counts[np.where(column >= 0, column, len(wet))]
    return np.asarray(np.take(_AROUND, total))


def chances(wet: np.ndarray, around: np.ndarray) -> np.ndarray:
    """Return in which share of the hours gauges are wet, by how many around them are [3], over all of them together.

    wet, around: as above [n, hour].
    """
    known = wet >= 0
    shares = []
    for level, (least, most) in zip((NONE, SOME, MANY), CHANCE_BOUNDS, strict=True):
        hours = known & (around == level)
        share = (np.count_nonzero(hours & (wet > 0)) + least) / (np.count_nonzero(hours) + 1.0)
        shares.append(min(max(share, least), most))
    return np.array(shares)


def evidence(wet: np.ndarray, around: np.ndarray, other: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """Return how much better the wet hours fit `other` than `around`: ln of the likelihood ratio by hour [n, hour].

    Zero in hours in which any of the three is unknown.
    """
    table = np.zeros((3, 4, 4), np.float32)
    for one in (NONE, SOME, MANY):
        for two in (NONE, SOME, MANY):
            table[1, one + 1, two + 1] = np.log(1 - chance[one]) - np.log(1 - chance[two])
            table[2, one + 1, two + 1] = np.log(chance[one]) - np.log(chance[two])
    code = (wet.astype(np.uint8) + np.uint8(1)) * np.uint8(16)
    code += (other.astype(np.uint8) + np.uint8(1)) * np.uint8(4)
    code += around.astype(np.uint8) + np.uint8(1)
    return np.asarray(np.take(table.ravel(), code))


def shifted(around: np.ndarray, hours: int) -> np.ndarray:
    """Return what was around so many hours before each hour, after it where `hours` is below 0 [n, hour]."""
    moved = np.full_like(around, UNKNOWN)
    if hours > 0:
        moved[:, hours:] = around[:, :-hours]
    elif hours < 0:
        moved[:, :hours] = around[:, -hours:]
    else:
        moved[:] = around
    return moved


def by_day(ratios: np.ndarray) -> np.ndarray:
    """Return the ln of likelihood ratios of hours [n, day * 24] summed by 24 hours [n, day]."""
    return np.asarray(ratios.reshape(len(ratios), ratios.shape[1] // 24, 24).sum(axis=2))


def at_lags(
    wet: np.ndarray, around: np.ndarray, chance: np.ndarray, lags: Sequence[int]
) -> Iterator[tuple[int, np.ndarray]]:
    """Yield each lag [h] with the evidence by day that wet hours belong so many hours earlier [n, day].

    The same as by_day(evidence(wet, around, shifted(around, lag), chance)), but only hours are looked at before or at
    which it was wet around; most aren't.
    """
    size, hours = wet.shape
    days, margin = hours // 24, max(abs(lag) for lag in lags)
    dry, rainy = (np.log(share) - np.log(share[0]) for share in (1 - chance, chance))
    nothing = np.zeros(3)
    # Rows: unknown, dry, wet; the same where what was around then is known too. Outside of the hours nothing is.
    table = np.concatenate([nothing, nothing, nothing, nothing, dry, rainy])
    beside = ((0, 0), (margin, margin))
    known = np.pad(around >= 0, beside).ravel()
    row = 3 * (np.pad(wet + 1, beside).ravel() + 3 * known).astype(np.uint8)
    day = np.clip(np.arange(-margin, hours + margin), 0, hours - 1) // 24
    station, hour = np.nonzero(around > 0)
    level = around[station, hour].astype(np.uint8)
    at = station * (hours + 2 * margin) + margin + hour
    first, own_day = station * days, station * days + hour // 24
    here = np.take(table, row[at] + level)
    for lag in lags:
        there = np.take(table, row[at + lag] + level)
        daily = np.bincount(first + day[hour + margin + lag], there, size * days)
        daily -= np.bincount(own_day, here * known[at - lag], size * days)
        yield lag, daily.reshape(size, days)


def daily_hour(values: np.ndarray, least: float, needed: int = 20) -> np.ndarray:
    """Return the hour of each day's course at its first harmonic [h after the first hour, n, day].

    values: hourly, NaN where missing [n, day * 24]; NaN with fewer hours than needed, and where the course is smaller
    than `least` [half its range, in the unit of the values].
    """
    hours = values.reshape(len(values), values.shape[1] // 24, 24)
    known = ~np.isnan(hours)
    count = known.sum(axis=2)
    mean = np.where(known, hours, 0.0).sum(axis=2) / np.maximum(count, 1)
    angle = 2 * np.pi * np.arange(24) / 24
    turn = np.stack([np.cos(angle), np.sin(angle)], axis=1).astype(values.dtype) / values.dtype.type(12.0)
    course = np.where(known, hours - mean[:, :, None].astype(values.dtype), values.dtype.type(0.0)) @ turn
    hour = np.arctan2(course[..., 1], course[..., 0]) * 24 / (2 * np.pi)
    return np.asarray(np.where((count >= needed) & (np.hypot(course[..., 0], course[..., 1]) >= least), hour, np.nan))


def later_by(own: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return by how many hours one daily course comes later than another, -12 to 12 [h]; NaN where either is."""
    later = own - other
    return np.asarray(later - 24.0 * np.floor((later + 12.0) / 24.0))
