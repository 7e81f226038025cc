"""What weeks beside its neighbours say of a gauge's counts: of a wrong tip size, stray, or at one hour."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from watchman.judging import steps
from watchman.judging.frost import frost_days
from watchman.judging.holding import WITNESSES, lone_hours, near_enough
from watchman.judging.view import View
from watchman.readings.record import DAY, HOUR

LOOK_BACK = 183
"""Days looked back on: a season."""
WORTH_UM = 2000
"""A day counts when the gauge and its neighbours had this much together [um] (judgement, no source)."""
WHOLE_DAY_S = round(0.99 * DAY)

TIP_MM, TIP_SPREAD = 300.0, 0.02
TIP_RATIOS = {200: (0.77, 0.81), 254: (1.24, 1.30)}
"""Ratios that betray the other size, by the written one [um]: 0.2/0.254 = 0.787, and 1.27."""
LIKE_HEIGHT_M = 100.0

STRAY_DAYS, STRAY_HOURS, STRAY_TIPS, STRAY_TIMES = 14, 8, 3, 4
DRY_BEFORE_H, DRY_AFTER_H = 6, 2
WATERED_BEFORE_H, WATERED_AFTER_H = 2, 1
"""Watering is known by its hour: so short a dry time will do (judgement, no source)."""
DAWN = (3, 9)
THAW_DAYS = 3
SAME_HOUR_DAYS, WATERED_UM = 3, 1000
ALIKE = 1.8
"""Amounts of one watering differ by at most this from their median (judgement, no source)."""


class _Days(NamedTuple):
    """Days on which a gauge and three near it delivered wholly: cells, own rain and the others' median [um]."""

    cell: np.ndarray
    own_um: np.ndarray
    median_um: np.ndarray


def _median(others: np.ndarray) -> np.ndarray:
    """Return the median along the last axis of what is not NaN; NaN where nothing is left."""
    ranked = np.sort(others, axis=-1)  # NaN come last
    count = np.count_nonzero(~np.isnan(ranked), axis=-1)[..., None]
    middle = np.take_along_axis(ranked, np.maximum((count - 1) // 2, 0), axis=-1)
    above = np.take_along_axis(ranked, np.minimum(count // 2, ranked.shape[-1] - 1), axis=-1)
    return np.asarray(((middle + above) / 2)[..., 0])


def _table(view: View, positions: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the days looked back on and of each gauge its rain, the median of those near it [um], and whether the day
    counts: all delivered wholly, at least three of them, and it was wet enough [day, station].
    """
    daily = view.record.daily
    days = slice(max(daily.head - LOOK_BACK, 0), daily.head)
    neighbours = view.stations.neighbours[positions]
    others = daily.rain[days][:, neighbours].astype(np.float32)
    whole = (daily.known[days] >= WHOLE_DAY_S) & (daily.held[days] == 0)
    others[~(whole[:, neighbours] & near_enough(view, positions))] = np.nan
    enough = np.count_nonzero(~np.isnan(others), axis=2) >= WITNESSES
    own, median = daily.rain[days][:, positions].astype(float), np.nan_to_num(_median(others).astype(float))
    worth = whole[:, positions] & enough & (own + median >= WORTH_UM)
    return np.arange(days.start, days.stop), own, median, worth


def _days(view: View, position: int) -> _Days:
    cell, own, median, worth = _table(view, np.array([position]))
    counts = worth[:, 0]
    return _Days(cell[counts], own[counts, 0], median[counts, 0])


def _ratio(days: _Days, begin: int, end: int) -> float:
    """Return own rain over the others' median in a stretch of days, NaN when that had under 10 mm."""
    median = float(days.median_um[begin:end].sum())
    return float(days.own_um[begin:end].sum()) / median if median >= 10_000 else float("nan")


def wrong_tip(view: View, positions: np.ndarray | None = None) -> dict[int, tuple[float, float, int]]:
    """Return the gauges whose steady ratio to their neighbours is that of another tip size: ratio, over how much of the
    neighbours' rain [mm], and since when [s].
    """
    daily, stations = view.record.daily, view.stations
    if positions is None:
        enough = daily.running[daily.head + 1] >= 1000 * TIP_MM * TIP_RATIOS[200][0]
        positions = np.flatnonzero(np.isin(stations.tip_um, list(TIP_RATIOS)) & enough & view.in_service)
        positions = positions[_ratio_of_all(view, positions)]
    found = {}
    for one in positions.tolist():
        near = stations.neighbours[one][near_enough(view, np.array([one]))[0]]
        rise_m = np.abs(stations.elevation_m[near] - stations.elevation_m[one])
        if stations.tip_um[one] not in TIP_RATIOS or not (rise_m <= LIKE_HEIGHT_M).all() or len(near) < WITNESSES:
            continue
        days = _days(view, one)
        over_mm = float(days.median_um.sum()) / 1000
        if over_mm < TIP_MM:
            continue
        ratio = _ratio(days, 0, len(days.cell))
        low, high = TIP_RATIOS[int(stations.tip_um[one])]
        if low <= ratio <= high and _spread_of_ratio(days) <= TIP_SPREAD:
            found[one] = (ratio, over_mm, daily.end_of(int(days.cell[0]) - 1))
    return found


def _ratio_of_all(view: View, positions: np.ndarray) -> np.ndarray:
    """Say which gauges' sums of all days are anywhere near the ratios of a wrong tip size."""
    daily = view.record.daily
    um = (daily.running[daily.head + 1] - daily.running[0]).astype(float)
    near = near_enough(view, positions)
    ratio = um[positions] / np.maximum(np.where(near, um[view.stations.neighbours[positions]], 0).max(axis=1), 1.0)
    least = np.where(near, um[view.stations.neighbours[positions]], np.inf).min(axis=1)
    ratio_low = um[positions] / np.maximum(least, 1.0)
    return np.asarray((ratio <= 0.85) | (ratio_low >= 1.2))


def _spread_of_ratio(days: _Days) -> float:
    """Return the standard error of the ratio of sums, relative to it, from ten parts of about equal rain."""
    part = np.minimum(np.cumsum(days.median_um) / days.median_um.sum() * 10, 9.999).astype(int)
    own = np.bincount(part, days.own_um, 10)
    median = np.bincount(part, days.median_um, 10)
    without = (own.sum() - own) / (median.sum() - median)
    return float(np.sqrt(0.9 * ((without - without.mean()) ** 2).sum()) / without.mean())


def stray_hours(view: View, positions: np.ndarray | None = None) -> dict[int, np.ndarray]:
    """Return the gauges with far more lone tips in dry weather than any near them, with the ends of those hours [s]."""
    if positions is None:
        chosen = np.arange(len(view.stations))
    else:
        chosen = np.unique(np.append(view.stations.neighbours[positions], positions))
        chosen = chosen[chosen >= 0]
    tip_um = steps.tip_or(view, 200)
    hour, position, um = lone_hours(
        view, chosen, np.ones_like(tip_um), STRAY_TIPS * tip_um, STRAY_DAYS * 24, (DRY_BEFORE_H, DRY_AFTER_H)
    )
    local = (view.record.hourly.start + hour * HOUR + view.stations.utc_offset_s) % DAY // HOUR
    dew = (local >= DAWN[0]) & (local < DAWN[1]) & (um <= tip_um[position])
    hour, position = hour[~dew], position[~dew]
    counts = np.bincount(position, minlength=len(view.stations))
    many = np.flatnonzero(counts >= STRAY_HOURS)
    near = near_enough(view, many)
    others = np.where(near, counts[view.stations.neighbours[many]], 0).max(axis=1, initial=0)
    far_more = many[counts[many] >= STRAY_TIMES * np.maximum(others, 1)]
    if positions is not None:
        far_more = np.intersect1d(far_more, positions)
    thawed = _not_in_frost(view, far_more, hour, position)
    return {one: ends for one, ends in thawed.items() if len(ends) >= STRAY_HOURS}


def _not_in_frost(view: View, stations: np.ndarray, hour: np.ndarray, position: np.ndarray) -> dict[int, np.ndarray]:
    """Return for some stations the ends of their hours that no frost and no thaw of the days before explains [s]."""
    if not len(stations):
        return {}
    daily, hourly = view.record.daily, view.record.hourly
    first = max(daily.head - STRAY_DAYS - THAW_DAYS, 0)
    frost = frost_days(view, first, stations)
    kept = {}
    for column, one in enumerate(stations.tolist()):
        ends = hourly.start + (hour[position == one] + 1) * HOUR
        day = daily.cells(ends) - first
        thaw = np.array([frost[max(at - THAW_DAYS, 0) : at + 1, column].any() for at in day.tolist()], bool)
        kept[one] = ends[~thaw]
    return kept


def same_hour(view: View, positions: np.ndarray | None = None) -> dict[int, np.ndarray]:
    """Return the gauges that had like amounts at one hour of the day, on at least three dry days of two weeks, and
    seldom lone rain at other hours, with the ends of those hours [s].
    """
    hourly = view.record.hourly
    chosen = np.arange(len(view.stations)) if positions is None else positions
    size = len(view.stations)
    tip_um = steps.tip_or(view, 200)
    hour, position, _um = lone_hours(
        view,
        chosen,
        2 * tip_um,
        np.full(size, np.iinfo(np.int32).max),
        STRAY_DAYS * 24,
        (WATERED_BEFORE_H, WATERED_AFTER_H),
    )
    # Watering may lie on both sides of a full hour.
    um = hourly.running[hour + 2, position] - hourly.running[hour - 1, position]
    much = um >= WATERED_UM
    hour, position, um = hour[much], position[much], um[much]
    found = {}
    for one in np.flatnonzero(np.bincount(position, minlength=size) >= SAME_HOUR_DAYS).tolist():
        mine = position == one
        ends, amount = hourly.start + (hour[mine] + 1) * HOUR, um[mine]
        local = (ends + view.stations.utc_offset_s) // HOUR
        usual = _usual_hour(local % 24)
        away = np.abs((local % 24 - usual + 12) % 24 - 12)
        at_it = np.flatnonzero(away <= 1)
        _day, first = np.unique(local[at_it] // 24, return_index=True)
        at_it = at_it[first]
        median = np.median(amount[at_it])
        alike = at_it[(amount[at_it] <= ALIKE * median) & (ALIKE * amount[at_it] >= median)]
        elsewhere = len(np.unique(local[away > 1] // 24))
        if len(alike) >= SAME_HOUR_DAYS and len(alike) >= 2 * max(elsewhere, len(at_it) - len(alike)):
            found[one] = ends[alike]
    return found


def _usual_hour(hours: np.ndarray) -> int:
    """Return the hour of the day about which, an hour before and after, most of some hours lie."""
    counts = np.bincount(hours, minlength=24)
    return int(np.argmax(counts + np.roll(counts, 1) + np.roll(counts, -1)))
