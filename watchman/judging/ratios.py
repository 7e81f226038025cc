"""What weeks beside its neighbours say of a gauge's counts: of a wrong tip size, stray, or at one hour."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from watchman.judging import steps
from watchman.judging.frost import frost_days, thermometers
from watchman.judging.holding import HEARD, STRAY_UM, WITNESSES, lone_hours, near_enough
from watchman.judging.view import View
from watchman.model import TEMPERATURE
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

STRAY_DAYS, STRAY_HOURS, STRAY_TIPS, STRAY_TIMES = 14, 8, 3, 3
DRY_BEFORE_H, DRY_AFTER_H, OWN_BEFORE_H = 3, 1, 12
NOTHING_MELTS_C = -1.0
"""In an hour colder than this rain is snow, and snow stays it (of precipitation at 0 degC most is; a degree for the
sun: judgement, no source)."""
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
    """Return the gauges with far more lone tips in dry weather than those near them, with the ends of those hours [s].

    Three quarters of the gauges about must have been dry, and the middle one of them says how many lone tips are
    usual: some of them may have the same fault, or drain slowly.
    """
    if positions is None:
        chosen = np.arange(len(view.stations))
    else:
        chosen = np.unique(np.append(view.stations.neighbours[positions], positions))
        chosen = chosen[chosen >= 0]
    hour, position, _um = _lone_tips(view, chosen)
    counts = np.bincount(position, minlength=len(view.stations)).astype(float)
    many = np.flatnonzero(counts >= STRAY_HOURS)
    near = near_enough(view, many)
    usual = np.nan_to_num(_median(np.where(near, counts[view.stations.neighbours[many]], np.nan)))
    far_more = many[counts[many] >= STRAY_TIMES * (usual + 1)]
    if positions is not None:
        far_more = np.intersect1d(far_more, positions)
    hourly = view.record.hourly
    return {one: hourly.start + (hour[position == one] + 1) * HOUR for one in far_more.tolist()}


def _lone_tips(view: View, chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the hours of two weeks in which some gauges had one to three tips while most near them were dry, dew and
    what may be melt left out: cells, positions, rain [um].
    """
    hourly, tip_um = view.record.hourly, steps.tip_or(view, 200)
    begin = max(hourly.head - STRAY_DAYS * 24, DRY_BEFORE_H)
    rain = hourly.rain[begin : hourly.head - DRY_AFTER_H][:, chosen]
    hour, column = np.nonzero((rain > 0) & (rain <= STRAY_TIPS * tip_um[chosen]))
    um, hour, position = rain[hour, column], hour + begin, chosen[column]
    local = (hourly.start + hour * HOUR + view.stations.utc_offset_s) % DAY // HOUR
    dew = (local >= DAWN[0]) & (local < DAWN[1]) & (um <= tip_um[position])
    # What runs on after its own rain is water that was held back.
    heavy = hourly.rain[:, chosen] > STRAY_TIPS * tip_um[chosen]
    rained = np.maximum.accumulate(np.where(heavy, np.arange(len(heavy))[:, None], -OWN_BEFORE_H - 1), axis=0)
    own_dry = hour - rained[hour, column] > OWN_BEFORE_H
    um, hour, position = (one[~dew & own_dry] for one in (um, hour, position))
    first, last, others = hour - DRY_BEFORE_H, hour + DRY_AFTER_H + 1, view.stations.neighbours[position]
    known = hourly.running_known[last[:, None], others] - hourly.running_known[first[:, None], others]
    heard = near_enough(view, position) & (known >= HEARD * (DRY_BEFORE_H + DRY_AFTER_H + 1) * HOUR)
    beside = hourly.running[last[:, None], others] - hourly.running[first[:, None], others]
    number, some = heard.sum(axis=1), np.count_nonzero(heard & (beside > 0), axis=1)
    # A tip at one of few gauges is dew; of many, some may be as ill.
    lone = (np.count_nonzero(heard & (beside > STRAY_UM), axis=1) <= number // 4) & (some <= np.maximum(1, number // 4))
    lone &= (number >= WITNESSES) & view.in_service[position]
    lone[lone] = ~_may_be_melt(view, hour[lone], position[lone])
    return hour[lone], position[lone], um[lone]


def _may_be_melt(view: View, hour: np.ndarray, position: np.ndarray) -> np.ndarray:
    """Say in which hours frost on that day or a few before may explain tips: not where too cold for any."""
    daily, hourly = view.record.daily, view.record.hourly
    first = max(daily.head - STRAY_DAYS - THAW_DAYS - 1, 0)
    stations, column = np.unique(position, return_inverse=True)
    frost = frost_days(view, first, stations)
    thaw = frost.copy()
    for days in range(1, THAW_DAYS + 1):
        thaw[days:] |= frost[:-days]
    source, warmer = thermometers(view, stations)
    begin = int(hour.min(initial=hourly.head))
    cold = hourly.mean(TEMPERATURE, begin, hourly.head)[:, source] + warmer < NOTHING_MELTS_C
    frozen = cold[hour - begin, column] & (source[column] >= 0)
    day = daily.cells(hourly.start + (hour + 1) * HOUR) - first
    return np.asarray(thaw[np.maximum(day, 0), column] & ~frozen)


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
