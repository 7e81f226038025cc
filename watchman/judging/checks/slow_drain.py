"""Does it go on tipping evenly after the neighbours are dry?

A funnel that is half blocked holds the rain back and lets it out at a steady rate, whatever falls. Totals look right,
but bursts are hidden: at 4 mm/h no quarter of an hour shows more than 1 mm. Two signs give it away.

Even tips after the rain. A wet spell *drained* when

    after it    half an hour or more after the last rain at the nearest three gauges (within 30 km) it still tipped, 4
                times or more, none of them more than a quarter as much, and without a pause: all in all at 70 % or more
                of the rate below
    evenly      no tip is further than 1.2 tips from a straight line of rain against time, which is drawn back into the
                rain as far as it holds (12 hours at most) and holds 12 tips or more
    no faster   in the 12 hours before, never more than 1.3 times that rate (and one tip) in any half hour

and it is a *clear* one when the line holds 16 tips or more to within 0.55 of a tip, which is as even as counting
allows: rain rises, fades and comes in waves. Told after one clear spell, or after two of either kind.

A lid on the heaviest hours. In three hours or more, on two days or more, it counted 85 % or more of the most it
counted in any hour of the month (8 tips or more), while the middle one of the three neighbours had 1.5 times that most,
in units of the month's totals; and so it was in half of all hours in which that neighbour had so much. An honest gauge
is above its neighbours in its own heaviest hours, not below.

    absent again    after two later wet spells (3 mm or more) that ended with the neighbours' rain, in each of which it
                    counted an hour of 1.5 times the rate it was held to: a blocked funnel can't. A lid is gone with
                    the first hour that breaks it

Both look at the 31 days that are kept hour by hour, and count only from the latest visit on, and since the gauge came
to this place. Days of frost and the three after them (judging/frost.py) say nothing: melting snow drains alike. Counts
of 5 and 15 minutes are looked at as long as they are kept (some 4 days), hours after that; a reading of an hour must
begin after the rain.

Where the numbers come from: the starting rule was ours (8 even tips after 3 neighbours had been dry for an hour: 0.25
to 0.28 false calls a season in our own simulation). A count is up to half a tip off an even flow, hence 0.55; 1.2
leaves room for an uneven one. That flow through a small hole is steady is physics. In our own simulation of four
climates one honest gauge in fifty had a drained spell in a season, and none of 700 seasons a clear one or a lid; nor
was one of 20 equal gauges side by side called in 9 months, nor one of 28 in the rain of a Flemish September. The other
numbers are judgement, no source.

What it cannot see: a hole that lets through more than it rains; anything without two gauges within 30 km; a total block
(`dry-among-wet`); rates under about 0.3 mm/h, where the tips are hours apart; an outflow that slows down to a third.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from watchman.judging.frost import frost_days
from watchman.judging.view import Findings, View, rfc3339
from watchman.model import Verdict
from watchman.readings.record import DAY, HOUR, Grid
from watchman.written import Written

NAME = "slow-drain"
EVERY_S = 6 * HOUR

NEAR_KM = 30.0
NEIGHBOURS = 3
NEIGHBOURS_NEEDED = 2
LOOK_BACK_H = 31 * 24
BEFORE_H, AFTER_H = 12, 24
HEARD_DAYS = 7
KNOWN_SHARE = 0.9
LONE_TIP_UM = 300
USUAL_TIP_UM = 200
BREAK_H = 2
TAIL_S = HOUR // 2
TAIL_TIPS, AT_PACE, OTHERS_TAIL = 4, 0.7, 0.25
LIKE_TIPS, LINE_TIPS, CLEAR_TIPS = 6, 12, 16
OFF_TIPS, CLEAR_OFF_TIPS = 1.2, 0.55
LINE_CELLS = 4
FASTEST = 1.3
HIDES = 0.6
SPELLS_NEEDED = 2
WET_UM = 3000
FASTER = 1.5
FROST_BEFORE_DAYS = 3
LID_HOURS, LID_DAYS, LID_TIPS = 3, 2, 8
AT_LID, OVER_LID, LID_SHARE = 0.85, 1.5, 0.5
COMPARABLE = 0.2
STARTS_H = (0, 1, 2, 3, 4, 6, 8, 10, 12)


class Settings(Written):
    """How slow-drain is set: there is nothing to set."""


@dataclass(frozen=True, slots=True)
class _Spells:
    """Wet spells, one entry each [k]: position of the station; ended_at: when the neighbours' rain ended, tail_until:
    the last own tip after it [s since 1970 UTC]; rate: of the straight line [mm/h]; tips on the line; off: the furthest
    from it [tips]; own_peak, peak: the heaviest hour here and at the middle neighbour [mm]; drained, clear, stopped.
    """

    position: np.ndarray
    ended_at: np.ndarray
    tail_until: np.ndarray
    rate: np.ndarray
    tips: np.ndarray
    off: np.ndarray
    own_peak: np.ndarray
    peak: np.ndarray
    like: np.ndarray
    drained: np.ndarray
    clear: np.ndarray
    stopped: np.ndarray

    def take(self, chosen: np.ndarray) -> _Spells:
        """Return some of them."""
        return _Spells(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


@dataclass(frozen=True, slots=True)
class _Lids:
    """The lid on each station's heaviest hours [n]: there; hours at it; the most counted in an hour, and the most the
    middle neighbour had in an hour at the lid [mm]; since: the first of these hours [s since 1970 UTC].
    """

    there: np.ndarray
    hours: np.ndarray
    mm: np.ndarray
    neighbour_mm: np.ndarray
    since: np.ndarray


def judge(view: View, settings: Settings) -> Findings:
    """Return which gauges drain slowly.

    numbers: spells (drained ones that count), clear, stopped (spells since that ended in time), wet (spells weighed);
    rate_mm_h, minutes_a_tip, tips, off_tips, hours_after, ended_at [s since 1970 UTC] of the latest drained spell;
    lid_hours, lid_mm (the most it counted in an hour), neighbour_mm (the most the middle neighbour had in one of them);
    neighbours.
    """
    size = len(view.stations)
    near = _nearest(view)
    return _verdict(view, near, _spells(view, near, np.arange(size)), _lids(view, near))


def evidence(view: View, settings: Settings, findings: Findings, position: int) -> dict[str, Any]:
    """Return what people are shown of one gauge: the latest spell that drained, each such spell, and the limits."""
    numbers = {name: float(column[position]) for name, column in findings.numbers.items()}
    spells = _spells(view, _nearest(view), np.array([position]))
    spells = spells.take(spells.drained & (spells.ended_at > _counts_from(view)[position]))
    drained = numbers["spells"] > 0
    return {
        "spells": int(numbers["spells"]),
        "clear_spells": int(numbers["clear"]),
        "spells_needed": SPELLS_NEEDED,
        "wet_spells": int(numbers["wet"]),
        "stopped_since": int(numbers["stopped"]),
        "rate_mm_h": round(numbers["rate_mm_h"], 1) if drained else None,
        "minutes_a_tip": round(numbers["minutes_a_tip"], 1) if drained else None,
        "hours_after": round(numbers["hours_after"], 1) if drained else None,
        "tips": int(numbers["tips"]),
        "off_tips": round(numbers["off_tips"], 1) if drained else None,
        "limit_off_tips": OFF_TIPS,
        "lid_hours": int(numbers["lid_hours"]),
        "limit_lid_hours": LID_HOURS,
        "lid_mm": _mm(numbers["lid_mm"]),
        "neighbour_mm": _mm(numbers["neighbour_mm"]),
        "neighbours": int(numbers["neighbours"]),
        "rain_ended": rfc3339(numbers["ended_at"]) if drained else None,
        "each": [
            {
                "rain_ended": rfc3339(spells.ended_at[row]),
                "tipped_until": rfc3339(spells.tail_until[row]),
                "rate_mm_h": round(float(spells.rate[row]), 1),
                "tips": int(spells.tips[row]),
            }
            for row in range(len(spells.position))
        ],
        "relied_on": bool(view.stations.relied_on_by[position]),
        "relied_on_by": view.stations.relied_on_by[position],
    }


def _mm(value: float) -> float:
    """Return a depth in words: rounded down to 0.1 mm."""
    return int(value * 10 + 1e-6) / 10


def _nearest(view: View) -> np.ndarray:
    """Return the nearest three stations within 30 km that were heard of late, -1 where there are fewer [n, 3]."""
    daily, stations = view.record.daily, view.stations
    heard = daily.running_known[daily.head + 1] > daily.running_known[max(daily.head - HEARD_DAYS, 0)]
    fit = (stations.neighbours >= 0) & (stations.neighbours_km <= NEAR_KM) & heard[stations.neighbours]
    order = np.argsort(~fit, axis=1, kind="stable")[:, :NEIGHBOURS]
    return np.asarray(
        np.where(np.take_along_axis(fit, order, 1), np.take_along_axis(stations.neighbours, order, 1), -1)
    )


def _counts_from(view: View) -> np.ndarray:
    counts_from: np.ndarray = np.maximum(view.last_visit, view.stations.from_s)
    return counts_from


def _tip_um(view: View) -> np.ndarray:
    tip_um: np.ndarray = np.where(view.stations.tip_um > 0, view.stations.tip_um, USUAL_TIP_UM)
    return tip_um


def _spells(view: View, near: np.ndarray, positions: np.ndarray) -> _Spells:
    """Return the wet spells of some stations that ended in the hourly memory, weighed, in the order of time."""
    hour, place, dry_h = _ends(view, near, positions)
    position = positions[place]
    fine, hourly = view.record.fine, view.record.hourly
    begins = hourly.start + hour * HOUR
    # Most spells end here with the neighbours' rain, and hours say so.
    tail = hourly.running[np.minimum(hour + 2, hourly.head + 1), position] > hourly.running[hour, position]
    in_fine = tail & (begins - BEFORE_H * HOUR >= fine.start)
    parts = [
        _weighed(view, near, grid, position[some], begins[some], dry_h[some])
        for grid, some in ((hourly, ~in_fine), (fine, in_fine))
    ]
    together = (np.concatenate(columns) for columns in zip(*(_columns(part) for part in parts), strict=True))
    spells = _Spells(*together)
    return spells.take(np.lexsort((spells.ended_at, spells.position)))


def _columns(spells: _Spells) -> list[np.ndarray]:
    return [getattr(spells, name) for name in spells.__dataclass_fields__]


def _ends(view: View, near: np.ndarray, positions: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return after which hours the neighbours turned dry while it had rained here: hour, place among the positions, and
    how many hours they stayed dry [k].
    """
    hourly = view.record.hourly
    first = max(hourly.head + 1 - LOOK_BACK_H, BEFORE_H)
    hours = slice(first, hourly.head + 1)
    dry = np.ones((hourly.head + 1 - first, len(positions)), bool)
    lone = np.maximum(LONE_TIP_UM, _tip_um(view))
    quiet = (hourly.rain[hours] <= lone) & (hourly.known[hours] >= KNOWN_SHARE * HOUR)
    # The hour still running counts as far as it has come.
    quiet[-1] = hourly.rain[hourly.head] <= lone
    for column in near[positions].T:
        dry &= quiet[:, column] | (column < 0)
    onset = dry.copy()
    onset[1:] &= ~dry[:-1]
    onset[0] = False
    enough = np.count_nonzero(near[positions] >= 0, axis=1) >= NEIGHBOURS_NEEDED
    row, place = np.nonzero(onset & enough)
    hour = first + row
    before = hourly.running[hour, positions[place]] - hourly.running[hour - BEFORE_H, positions[place]]
    later = np.minimum(hour + AFTER_H, hourly.head + 1)
    after = hourly.running[later, positions[place]] - hourly.running[hour, positions[place]]
    worth = (before >= WET_UM) | ((before > 0) & (before + after >= LIKE_TIPS * _tip_um(view)[positions[place]]))
    row, place, hour = row[worth], place[worth], hour[worth]
    ahead = row[:, None] + np.arange(AFTER_H)
    wet_again = (ahead < len(dry)) & ~dry[np.minimum(ahead, len(dry) - 1), place[:, None]]
    return hour, place, np.where(wet_again.any(axis=1), np.argmax(wet_again, axis=1), AFTER_H)


def _weighed(
    view: View, near: np.ndarray, grid: Grid, position: np.ndarray, begins: np.ndarray, dry_h: np.ndarray
) -> _Spells:
    """Weigh spells on one grid: each from 12 hours before the neighbours turned dry to when they are wet again."""
    per_hour = HOUR // grid.step
    middle = BEFORE_H * per_hour
    width = middle + AFTER_H * per_hour
    at = np.arange(width)
    cells = grid.cells(begins + 1)[:, None] + at - middle
    inside = (cells <= grid.head) & (at < middle + dry_h[:, None] * per_hour)
    cells = np.minimum(cells, grid.head)
    own = np.where(inside, grid.rain[cells, position[:, None]], 0)
    others = near[position]
    wet, each = np.zeros(own.shape, bool), []
    peaks = np.full((len(position), NEIGHBOURS), np.nan)
    for place in range(NEIGHBOURS):
        there = others[:, place] >= 0
        rain = np.where(there[:, None] & inside, grid.rain[cells, others[:, place, None]], 0)
        wet |= rain > 0
        each.append(np.cumsum(rain, axis=1, dtype=np.int32))
        peaks[there, place] = _most(each[-1][there], per_hour)
    ended = middle - np.argmax(wet[:, middle - per_hour : middle][:, ::-1], axis=1)
    ended = np.where(wet[:, middle - per_hour : middle].any(axis=1), ended, middle)

    tip = _tip_um(view)[position]
    last = _last_tip(own, ended, BREAK_H * per_hour)
    tail_s = (last + 1 - ended) * grid.step
    row = np.arange(len(own))
    total = np.cumsum(own, axis=1, dtype=np.int32)
    tail, *others_tail = (sums[row, last] - sums[row, ended - 1] for sums in (total, *each))
    alone = np.max(others_tail, axis=0) <= OTHERS_TAIL * tail
    # What a long reading holds may have fallen before the neighbours' rain ended.
    longer = np.maximum(view.record.covers_s[position], grid.step) - 300
    remembered = np.where(per_hour == 1, HOUR, TAIL_S + longer)
    # The hour in which it ran dry is only partly filled.
    goes_on = np.flatnonzero((last >= ended) & alone & (tail >= TAIL_TIPS * tip))
    slope, line_tips, off, line_cells = (np.zeros(len(own)) for _ in range(4))
    slope[goes_on], line_tips[goes_on], off[goes_on], line_cells[goes_on] = _line(
        own[goes_on], ended[goes_on], last[goes_on] - (per_hour == 1), per_hour, tip[goes_on]
    )
    half_hour = max(per_hour // 2, 1)
    long_reading = np.maximum(view.record.covers_s[position] // grid.step, half_hour)
    own_peak = _most(total, per_hour)
    most = np.where(long_reading > half_hour, own_peak, _most(total, half_hour))
    window = np.where(long_reading > half_hour, per_hour, half_hour)
    no_faster = most <= FASTEST * slope * window + tip
    peak = np.nanmedian(peaks, axis=1) if len(position) else np.zeros(0)
    at_pace = (tail >= TAIL_TIPS * tip) & (tail + tip >= AT_PACE * slope * (last + 1 - ended))
    like = alone & at_pace & (tail_s >= remembered) & (off <= OFF_TIPS) & no_faster & (line_tips >= LIKE_TIPS)
    like &= ~_frost(view, position, begins)
    drained = like & (tail_s >= TAIL_S + longer) & (line_tips >= LINE_TIPS) & (line_cells >= LINE_CELLS)
    clear = drained & (per_hour > 1) & (line_tips >= CLEAR_TIPS) & (off <= CLEAR_OFF_TIPS)
    start = grid.start + (grid.cells(begins + 1) - middle) * grid.step
    return _Spells(
        position=position,
        ended_at=start + ended * grid.step,
        tail_until=start + (last + 1) * grid.step,
        rate=slope * per_hour / 1000.0,
        tips=line_tips,
        off=off,
        own_peak=own_peak / 1000.0,
        peak=peak / 1000.0,
        like=like,
        drained=drained,
        clear=clear,
        stopped=(own[:, :middle].sum(axis=1) >= WET_UM) & (tail_s <= TAIL_S + longer) & (dry_h >= 2),
    )


def _most(total: np.ndarray, cells: int) -> np.ndarray:
    """Return the most rain in so many cells in a row, from running sums [um, k]."""
    sums = total[:, cells:] - total[:, :-cells]
    return np.asarray(np.maximum(sums.max(axis=1, initial=0), total[:, cells - 1]))


def _last_tip(own: np.ndarray, ended: np.ndarray, longest_break: int) -> np.ndarray:
    """Return the cell of the last own tip that follows without a long break, the one before the end where none does."""
    at = np.arange(own.shape[1])
    last = np.maximum.accumulate(np.where(own > 0, at, -1), axis=1)
    since = at - np.maximum(last, ended[:, None] - 1)
    broken = (since > longest_break) & (at >= ended[:, None])
    first_break = np.where(broken.any(axis=1), np.argmax(broken, axis=1), own.shape[1] - 1)
    return np.asarray(np.maximum(np.take_along_axis(last, first_break[:, None], 1)[:, 0], ended - 1))


def _line(
    own: np.ndarray, ended: np.ndarray, last: np.ndarray, per_hour: int, tip: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return slope [um a cell], tips, furthest tip from it [tips] and number of cells with tips of the longest line
    that is straight to OFF_TIPS, or of the tail alone where none is.
    """
    at = np.arange(own.shape[1])
    total = np.cumsum(own, axis=1)
    best: list[np.ndarray] = [
        np.zeros(len(own)),
        np.zeros(len(own)),
        np.full(len(own), np.inf),
        np.zeros(len(own), int),
    ]
    for hours in STARTS_H:
        on = (own > 0) & (at >= ended[:, None] - hours * per_hour) & (at <= last[:, None])
        count = on.sum(axis=1)
        points = np.maximum(count, 1)
        mean_at = np.where(on, at, 0).sum(axis=1) / points
        mean_total = np.where(on, total, 0).sum(axis=1) / points
        away = np.where(on, at - mean_at[:, None], 0.0)
        height = np.where(on, total - mean_total[:, None], 0.0)
        slope = (away * height).sum(axis=1) / np.maximum((away**2).sum(axis=1), 1e-9)
        off = np.abs(height - slope[:, None] * away).max(axis=1, initial=0) / tip
        tips = np.where(on, own, 0).sum(axis=1) / tip
        better = (off <= OFF_TIPS) if hours else np.ones(len(own), bool)
        better &= count >= 2
        best = [np.where(better, new, old) for new, old in zip((slope, tips, off, count), best, strict=True)]
    return best[0], best[1], best[2], best[3]


def _frost(view: View, position: np.ndarray, begins: np.ndarray) -> np.ndarray:
    """Say which spells lie within a few days after frost."""
    if not len(position):
        return np.zeros(0, bool)
    daily = view.record.daily
    first = max(int(daily.cells(begins).min()) - FROST_BEFORE_DAYS, 0)
    stations, column = np.unique(position, return_inverse=True)
    frost = frost_days(view, first, stations)
    days = daily.cells(begins + 1)[:, None] - first - np.arange(FROST_BEFORE_DAYS + 1)
    return np.asarray(((days >= 0) & frost[np.maximum(days, 0), column[:, None]]).any(axis=1))


def _lids(view: View, near: np.ndarray) -> _Lids:
    """Return where the heaviest hours of the month stand under a lid that the neighbours' don't."""
    hourly = view.record.hourly
    size = len(near)
    first = max(hourly.head + 1 - LOOK_BACK_H, 0)
    hours = slice(first, hourly.head)
    ends = hourly.start + (np.arange(first, hourly.head) + 1) * HOUR
    counts = (ends[:, None] > _counts_from(view) + HOUR) & (hourly.known[hours] >= KNOWN_SHARE * HOUR)
    counts &= ~_thawing(view, ends)
    own = np.where(counts, hourly.rain[hours], 0)
    most = own.max(axis=0, initial=0)
    at_most = np.count_nonzero(own >= AT_LID * most, axis=0)
    found = {name: np.zeros(size) for name in ("hours", "neighbour_mm")}
    there, since = np.zeros(size, bool), np.zeros(size, np.int64)
    some = np.flatnonzero((most >= LID_TIPS * _tip_um(view)) & (at_most >= LID_HOURS))
    if len(some):
        own, counts = own[:, some], counts[:, some]
        middle = _middle(own, counts, hourly.rain[hours], near[some])
        heavy = middle >= OVER_LID * most[some]
        at_lid = heavy & (own >= AT_LID * most[some])
        number = at_lid.sum(axis=0)
        days = [len(np.unique(ends[column] // DAY)) for column in at_lid.T]
        there[some] = (number >= LID_HOURS) & (number >= LID_SHARE * heavy.sum(axis=0)) & (np.array(days) >= LID_DAYS)
        since[some] = np.where(there[some], ends[np.argmax(at_lid, axis=0)], 0)
        found["hours"][some] = number
        found["neighbour_mm"][some] = np.where(at_lid, middle, 0.0).max(axis=0) / 1000.0
    return _Lids(there, found["hours"], most / 1000.0, found["neighbour_mm"], since)


def _middle(own: np.ndarray, counts: np.ndarray, rain: np.ndarray, near: np.ndarray) -> np.ndarray:
    """Return the middle neighbour's rain in units of the station's own total [um; hour, k], NaN where there is none."""
    total = own.sum(axis=0)
    others = np.full((NEIGHBOURS, *own.shape), np.nan, np.float32)
    for place, column in enumerate(near.T):
        theirs = np.where(counts, rain[:, column], 0)
        sums = theirs.sum(axis=0)
        able = (column >= 0) & (sums >= COMPARABLE * total)
        others[place] = np.where(able, theirs * (total / np.maximum(sums, 1)), np.nan)
    return np.asarray(np.sort(others, axis=0)[1])  # NaN sorts last: the middle of three, the larger of two


def _thawing(view: View, ends: np.ndarray) -> np.ndarray:
    """Say which hours lie on a day of frost or within a few days after one [hour, n]."""
    daily = view.record.daily
    day = daily.cells(ends)
    first = max(int(day.min(initial=daily.head)) - FROST_BEFORE_DAYS, 0)
    frost = frost_days(view, first, np.arange(len(view.stations)))
    thawing = frost.copy()
    for later in range(1, FROST_BEFORE_DAYS + 1):
        thawing[later:] |= frost[:-later]
    return np.asarray(thawing[np.maximum(day - first, 0)])


def _verdict(view: View, near: np.ndarray, spells: _Spells, lids: _Lids) -> Findings:
    size = len(view.stations)
    counts = spells.ended_at > _counts_from(view)[spells.position]
    drained = spells.take(counts & spells.drained)
    latest = np.full(size, -1)
    for some in (spells.like, spells.drained):
        rows = np.flatnonzero(counts & some)
        latest[spells.position[rows]] = rows
    known = latest >= 0

    def of_latest(column: np.ndarray) -> np.ndarray:
        return np.where(known, column[latest], 0.0) if len(column) else np.zeros(size)

    rate, ended_at = of_latest(spells.rate), of_latest(spells.ended_at)
    held_to = np.zeros(size)
    np.maximum.at(held_to, spells.position[counts & spells.like], spells.rate[counts & spells.like])
    after = spells.stopped & (spells.ended_at > ended_at[spells.position])
    stopped = _count(spells.position[after & (spells.own_peak > FASTER * held_to[spells.position])], size)
    number, clear = _count(drained.position, size), _count(drained.position[drained.clear], size)
    wet = _count(spells.position, size)
    over = stopped >= SPELLS_NEEDED
    own_heaviest, heaviest = np.zeros(size), np.zeros(size)
    np.maximum.at(own_heaviest, spells.position[counts], spells.own_peak[counts])
    np.maximum.at(heaviest, spells.position[counts], np.nan_to_num(spells.peak[counts]))
    drains = ((number >= SPELLS_NEEDED) | (clear > 0)) & ~over
    present = drains | lids.there
    first = np.zeros(size, np.int64)
    first[drained.position[::-1]] = drained.ended_at[::-1]
    first = np.where(drains & (~lids.there | (first < lids.since)), first, lids.since)
    reason = np.full(size, "", object)
    reason[wet == 0] = "no wet spell in the last 31 days that ended at its neighbours"
    reason[(own_heaviest < HIDES * heaviest) & ~over] = "its heaviest hour of the month is far below its neighbours'"
    reason[known & ~present & ~over] = "one wet spell drained slowly: a second one will tell"
    reason[np.count_nonzero(near >= 0, axis=1) < NEIGHBOURS_NEEDED] = "fewer than 2 gauges within 30 km"
    reason[present] = ""
    reason[~view.in_service] = "out of service"
    verdict = np.where(reason != "", Verdict.UNDETERMINED, np.where(present, Verdict.PRESENT, Verdict.ABSENT))
    return Findings.of(
        verdict,
        since=np.where(verdict == Verdict.PRESENT, first, 0),
        numbers={
            "spells": number,
            "clear": clear,
            "stopped": np.where(known, stopped, 0),
            "wet": wet,
            "rate_mm_h": rate,
            "minutes_a_tip": np.where(known, 0.06 * _tip_um(view) / np.maximum(rate, 1e-3), 0.0),
            "hours_after": (of_latest(spells.tail_until) - ended_at) / HOUR,
            "tips": of_latest(spells.tips),
            "off_tips": of_latest(spells.off),
            "lid_hours": lids.hours,
            "lid_mm": lids.mm,
            "neighbour_mm": lids.neighbour_mm,
            "neighbours": np.count_nonzero(near >= 0, axis=1),
            "ended_at": ended_at,
        },
        reason=reason,
    )


def _count(positions: np.ndarray, size: int) -> np.ndarray:
    return np.bincount(positions, minlength=size)
