"""What weeks beside its neighbours say of a gauge's counts: doubled, of a wrong tip size, stray, or at one hour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from watchman.judging import steps
from watchman.judging.frost import frost_days
from watchman.judging.holding import WITNESSES, near_enough
from watchman.judging.science.tips import odds_of_even
from watchman.judging.view import View
from watchman.readings.record import DAY, HOUR

LEAST_MM = 40.0
"""So much must have fallen beside it before counts can be called doubled [mm]: the owner's target."""
ERRORS = 5.0
"""Standard errors by which a ratio has changed: 1 in 3 million if days were normal, which they are not (judgement)."""
CHANGED, CHANGED_AT_MOST = 1.25, 3.0
LEAST_DAYS = 8
LEAST_SPREAD = 0.1
EVEN_ODDS, EVEN_HOURS, WAS_ODD = 1e6, 20, 0.2
LOOK_BACK = 183
"""Days looked back on: a season."""
WINDOWS_MM = (LEAST_MM, 2 * LEAST_MM, 4 * LEAST_MM)
EDGE_UM = 200
"""Added to both rains, so that a day with none has a ratio [um]."""
AT_A_TIME = 500
"""Gauges weighed at once; bounds the memory, not the result."""
WORTH_UM = 2000
"""A day counts when the gauge and its neighbours had this much together [um] (judgement, no source)."""
WHOLE_DAY_S = round(0.99 * DAY)
MONTH_H = 31 * 24

TIP_MM, TIP_SPREAD = 300.0, 0.02
TIP_RATIOS = {200: (0.77, 0.81), 254: (1.24, 1.30)}
"""Ratios that betray the other size, by the written one [um]: 0.2/0.254 = 0.787, and 1.27."""
LIKE_HEIGHT_M = 100.0

STRAY_DAYS, STRAY_HOURS, STRAY_TIPS, STRAY_TIMES = 14, 8, 3, 4
DRY_BEFORE_H, DRY_AFTER_H = 12, 3
DAWN = (3, 9)
THAW_DAYS = 3
SAME_HOUR_DAYS, WATERED_UM = 3, 1000


@dataclass(frozen=True, slots=True)
class Doubling:
    """Counts that doubled: their ratio to the neighbours now and before (NaN when not known), over how much of the
    neighbours' rain, by how many standard errors, wet hours with even counts of all, and since when [s].
    """

    ratio: float
    before: float
    over_mm: float
    errors: float
    even_hours: int
    wet_hours: int
    since: int


class _Days(NamedTuple):
    """Days on which a gauge and three near it delivered wholly: cells, own rain and the others' median [um]."""

    cell: np.ndarray
    own_um: np.ndarray
    median_um: np.ndarray


def doubled(view: View, positions: np.ndarray | None = None) -> dict[int, Doubling]:
    """Return the gauges, of some or all, whose counts doubled."""
    chosen = np.flatnonzero(view.in_service) if positions is None else positions
    even = chosen[_mostly_even(view, chosen)]
    more = chosen[_more_than_others(view, chosen)]
    risen = [some[_risen(view, some)] for some in np.array_split(more, len(more) // AT_A_TIME + 1)]
    found = ((int(one), _doubling(view, int(one))) for one in np.unique(np.concatenate([even, *risen])))
    return {one: doubling for one, doubling in found if doubling is not None}


def _more_than_others(view: View, positions: np.ndarray) -> np.ndarray:
    """Say which gauges had a quarter more of the median of those near them over some recent time than before it."""
    daily = view.record.daily
    first = max(daily.head - LOOK_BACK, 0)
    near = near_enough(view, positions)
    enough = near.sum(axis=1) >= WITNESSES
    more = np.zeros(len(positions), bool)

    def sums(begin: int, end: int) -> tuple[np.ndarray, np.ndarray]:
        um = (daily.running[end] - daily.running[begin]).astype(float)
        others = np.where(near, um[view.stations.neighbours[positions]], np.nan)
        return um[positions], _median(others)

    for days in (4, 7, 14, 30, 60, 120):
        begin = max(daily.head - days, first)
        (own, others), (own_before, others_before) = sums(begin, daily.head), sums(first, begin)
        risen = own * others_before > CHANGED * own_before * others
        more |= enough & risen & (others >= 1000 * LEAST_MM / 2) & (others_before >= 1000 * LEAST_MM / 2)
    return more


def _median(others: np.ndarray) -> np.ndarray:
    """Return the median along the last axis of what is not NaN; NaN where nothing is left."""
    ranked = np.sort(others, axis=-1)  # NaN come last
    count = np.count_nonzero(~np.isnan(ranked), axis=-1)[..., None]
    middle = np.take_along_axis(ranked, np.maximum((count - 1) // 2, 0), axis=-1)
    above = np.take_along_axis(ranked, np.minimum(count // 2, ranked.shape[-1] - 1), axis=-1)
    return np.asarray(((middle + above) / 2)[..., 0])


def _risen(view: View, positions: np.ndarray) -> np.ndarray:
    """Say at which gauges the logarithms of the daily ratio have risen by enough standard errors lately."""
    if not len(positions):
        return np.zeros(0, bool)
    _cell, own_um, median_um, worth = _table(view, positions)
    logs = np.where(worth, np.log((own_um + EDGE_UM) / (median_um + EDGE_UM)), 0.0)
    fell_mm = np.where(worth, median_um, 0.0)[::-1].cumsum(axis=0)[::-1] / 1000
    risen = np.zeros(len(positions), bool)
    for over_mm in WINDOWS_MM:
        recent = worth & (np.vstack([fell_mm[1:], np.zeros(len(positions))]) < over_mm)
        past = worth & ~recent
        errors, _rise = _errors(logs, recent, past)
        risen |= errors >= ERRORS
    return risen


def _errors(logs: np.ndarray, recent: np.ndarray, past: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return by how many standard errors, and by how much, the mean of some days is above that of others [station]."""
    n, m = (np.maximum(np.count_nonzero(days, axis=0), 1) for days in (recent, past))
    mean, before = np.where(recent, logs, 0).sum(axis=0) / n, np.where(past, logs, 0).sum(axis=0) / m
    squares = np.where(recent, (logs - mean) ** 2, 0).sum(axis=0) + np.where(past, (logs - before) ** 2, 0).sum(axis=0)
    spread = np.maximum(np.sqrt(squares / (n + m)), LEAST_SPREAD)
    rise = mean - before
    return np.where((n >= LEAST_DAYS) & (m >= LEAST_DAYS), rise / (spread * np.sqrt(1 / n + 1 / m)), 0.0), rise


def _mostly_even(view: View, positions: np.ndarray) -> np.ndarray:
    """Say which gauges' newest 20 wet hours had even counts but for two."""
    hourly = view.record.hourly
    begin = max(hourly.head + 1 - MONTH_H, 0)
    tip_um = steps.tip_or(view, 200)[positions]
    um = hourly.rain[begin : hourly.head + 1][::-1, positions]
    wet = np.cumsum(um > 0, axis=0)
    odd = (um // tip_um % 2 == 1) & (wet <= EVEN_HOURS)
    return np.asarray((wet[-1] >= EVEN_HOURS) & (odd.sum(axis=0) <= 2))


def _doubling(view: View, position: int) -> Doubling | None:
    """Weigh one gauge: its ratio's change by days, and the evenness of its counts by hours."""
    days = _days(view, position)
    if len(days.cell) < 2:
        return None
    even, wet, odds, since = _even_hours(view, position)
    since = _even_since(view, position, since) if odds >= EVEN_ODDS else 0
    if since:
        begin = int(np.searchsorted(view.record.daily.start + days.cell * DAY, since))
        ratio, before = _ratio(days, begin, len(days.cell)), _ratio(days, 0, begin)
        over_mm = days.median_um[begin:].sum() / 1000
        if over_mm >= LEAST_MM / 2 and ratio >= (1.0 if np.isnan(before) else before):
            return Doubling(ratio, before, over_mm, 0.0, even, wet, since)
    logs = np.log((days.own_um + EDGE_UM) / (days.median_um + EDGE_UM))[:, None]
    fell_mm = days.median_um[::-1].cumsum()[::-1] / 1000
    for over_mm in WINDOWS_MM:
        recent = np.append(fell_mm[1:], 0.0) < over_mm
        begin = int(np.argmax(recent))
        errors, rise = (float(one[0]) for one in _errors(logs, recent[:, None], ~recent[:, None]))
        ratio, before = _ratio(days, begin, len(logs)), _ratio(days, 0, begin)
        changed = CHANGED * before <= ratio <= CHANGED_AT_MOST * before and CHANGED <= np.exp(rise) <= CHANGED_AT_MOST
        if errors >= ERRORS and changed and fell_mm[0] - fell_mm[begin] >= LEAST_MM:
            began = view.record.daily.end_of(int(days.cell[begin]) - 1)
            return Doubling(ratio, before, float(fell_mm[begin]), errors, even, wet, began)
    return None


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


def _even_hours(view: View, position: int) -> tuple[int, int, float, int]:
    """Return even hours, wet hours, odds against chance and begin of the newest wet hours, as many as odds are highest
    for.
    """
    hourly = view.record.hourly
    tip_um = steps.tip_of(view, position)
    begin = max(hourly.head + 1 - MONTH_H, 0)
    um = hourly.rain[begin : hourly.head + 1, position]
    wet = np.flatnonzero(um)[::-1]
    if not tip_um or len(wet) < EVEN_HOURS:
        return 0, len(wet), 1.0, 0
    even = np.cumsum(np.rint(um[wet] / tip_um).astype(np.int64) % 2 == 0)
    sizes = [size for size in (EVEN_HOURS, 30, 45, 70, 100, 150, 220, len(wet)) if size <= len(wet)]
    odds = [odds_of_even(int(even[size - 1]), size) for size in sizes]
    best = sizes[int(np.argmax(odds))]
    return int(even[best - 1]), best, max(odds), hourly.end_of(begin + int(wet[best - 1]) - 1)


def _even_since(view: View, position: int, seen_since: int) -> int:
    """Return since when a gauge's counts are even, at the latest as its hours show [s]; 0 where they always were."""
    daily = view.record.daily
    tip_um = max(steps.tip_of(view, position), 1)
    wet = np.flatnonzero(daily.rain[: daily.head, position])
    odd = np.rint(daily.rain[wet, position] / tip_um).astype(np.int64) % 2 == 1
    even = np.cumsum(~odd[::-1])
    odds = [odds_of_even(int(even[size - 1]), size) for size in range(1, len(wet) + 1)]
    newest = int(np.argmax(odds)) + 1 if odds else 0
    before = len(wet) - newest
    if before < LEAST_DAYS or odd[:before].mean() < WAS_ODD:
        return 0
    return min(daily.end_of(int(wet[before]) - 1), seen_since)


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
    hour, position, um = _lone_hours(view, chosen, least_um=np.ones_like(tip_um), most_um=STRAY_TIPS * tip_um)
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


def _lone_hours(
    view: View, positions: np.ndarray, least_um: np.ndarray, most_um: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return hours of two weeks with rain in a range at a gauge while all near it were dry from 12 hours before to 3
    after: cells, positions, rain [um].
    """
    hourly = view.record.hourly
    begin = max(hourly.head - STRAY_DAYS * 24, DRY_BEFORE_H)
    rain = hourly.rain[begin : hourly.head - DRY_AFTER_H][:, positions]
    hour, column = np.nonzero((rain >= least_um[positions]) & (rain <= most_um[positions]))
    um, hour, position = rain[hour, column], hour + begin, positions[column]
    # A look at the nearest gauge alone is done with most of them.
    nearest = view.stations.neighbours[position, 0]
    after, before = hourly.running[hour + DRY_AFTER_H + 1, nearest], hourly.running[hour - DRY_BEFORE_H, nearest]
    likely = (nearest >= 0) & (after == before)
    hour, position, um = hour[likely], position[likely], um[likely]
    first, last = hour - DRY_BEFORE_H, hour + DRY_AFTER_H + 1
    near = near_enough(view, position)
    others = view.stations.neighbours[position]
    known = hourly.running_known[last[:, None], others] - hourly.running_known[first[:, None], others]
    near &= known >= 0.9 * (DRY_BEFORE_H + DRY_AFTER_H + 1) * HOUR
    dry = hourly.running[last[:, None], others] == hourly.running[first[:, None], others]
    lone = (dry | ~near).all(axis=1) & (near.sum(axis=1) >= WITNESSES) & view.in_service[position]
    return hour[lone], position[lone], um[lone]


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
    """Return the gauges that had like amounts at one hour of the day, on at least three dry days of two weeks, with the
    ends of those hours [s].
    """
    chosen = np.arange(len(view.stations)) if positions is None else positions
    size = len(view.stations)
    hour, position, um = _lone_hours(view, chosen, np.full(size, WATERED_UM), np.full(size, np.iinfo(np.int32).max))
    found = {}
    for one in np.flatnonzero(np.bincount(position, minlength=size) >= SAME_HOUR_DAYS).tolist():
        mine = position == one
        ends, amount = view.record.hourly.start + (hour[mine] + 1) * HOUR, um[mine]
        local = (ends + view.stations.utc_offset_s) // HOUR
        _day, first = np.unique(local // 24, return_index=True)
        at, amount, ends = local[first] % 24, amount[first], ends[first]
        usual = int(np.median(at))
        alike = (np.abs(at - usual) <= 1) & (amount <= 2 * np.median(amount)) & (2 * amount >= np.median(amount))
        if alike.sum() >= SAME_HOUR_DAYS:
            found[one] = ends[alike]
    return found
